#!/usr/bin/env bash
# secrets.sh FOLDER [NATS-HOST...] makes the secrets of an external cluster, once:
# passwords, the key of the stores, the daemon's own and a certificate. It never
# writes over a file: with another key the stores can't be read. Keep a copy of
# FOLDER elsewhere.
#
#   custody.key     the daemon's key-file, the same for every custodyd
#   custodyd.yaml   its settings with the addresses of the servers; no secret
#   nats.login      user and password of the daemon at the servers
#   operator.login  the same for the user that makes streams
#   tls.crt tls.key certificate of the daemons and its key, for 397 days. tls.crt is
#                   also what those need who are to trust it. Put yours in their place
#                   if you have one; the daemons read them again when they change
#   metrics.token   empty: put a service token with the scope metrics into it, and
#                   Prometheus is let in
#   nats.env        what deploy/nats/nats-server.conf wants from the environment,
#                   but for CUSTODY_NATS_NAME, _STORE and _MONITOR
#
# NATS-HOST are the names of the servers: nats-0 nats-1 nats-2 unless given. The
# certificate holds them, the names of the daemons in compose.yaml and cluster.yaml,
# and those of the variable CUSTODY_NAMES: "custody.example 10.0.0.7".
set -euo pipefail

if [ $# -lt 1 ]; then
	echo "usage: $0 FOLDER [NATS-HOST...]" >&2
	exit 2
fi
folder=$1
shift
[ $# -gt 0 ] || set -- nats-0 nats-1 nats-2
for file in custody.key custodyd.yaml nats.login operator.login tls.crt tls.key metrics.token nats.env; do
	if [ -e "$folder/$file" ]; then
		echo "secrets: $folder/$file exists and stays as it is; give another folder" >&2
		exit 1
	fi
done

if ! command -v openssl >/dev/null; then
	echo "secrets: openssl, which makes the certificate, is missing; run: sudo apt-get install -y openssl" >&2
	exit 1
fi

# The server reads values as settings: a letter first, then letters and digits.
word() { printf 'k'; od -An -N24 -tx1 /dev/urandom | tr -d ' \n'; }
addresses() {
	local before=$1 out=
	shift
	for host in "$@"; do out+="${out:+$join}$scheme://$before$host:$port"; done
	printf '%s' "$out"
}

daemon=$(word) operator=$(word) system=$(word) route=$(word) store=$(word)
mkdir -p "$folder"
# The folder keeps others out. The files can be read by the user of a container,
# which sees the files without the folder.
chmod 0700 "$folder"
umask 022
names=
for name in custodyd custodyd.custody custodyd.custody.svc custodyd-0 custodyd-1 localhost 127.0.0.1 "$@" ${CUSTODY_NAMES:-}; do
	case $name in
	*:*) kind=IP ;;
	*[!0-9.]*) kind=DNS ;;
	*) kind=IP ;;
	esac
	case ",$names," in *",$kind:$name,"*) ;; *) names+="${names:+,}$kind:$name" ;; esac
done
# It can sign no other certificate: who trusts it trusts these daemons alone.
openssl req -x509 -newkey ec -pkeyopt ec_paramgen_curve:P-256 -nodes -sha256 -days 397 -subj /CN=custodyd \
	-addext "subjectAltName=$names" -addext basicConstraints=critical,CA:FALSE \
	-addext keyUsage=critical,digitalSignature -addext extendedKeyUsage=serverAuth \
	-keyout "$folder/tls.key" -out "$folder/tls.crt" 2>"$folder/openssl.log" || {
	cat "$folder/openssl.log" >&2
	rm -f "$folder/openssl.log" "$folder/tls.key" "$folder/tls.crt"
	echo "secrets: no certificate could be made for $names" >&2
	exit 1
}
rm "$folder/openssl.log"
chmod 0644 "$folder/tls.key"
head -c 32 /dev/urandom | base64 >"$folder/custody.key"
printf 'daemon:%s\n' "$daemon" >"$folder/nats.login"
printf 'operator:%s\n' "$operator" >"$folder/operator.login"
: >"$folder/metrics.token"
scheme=nats port=4222 join=,
cat >"$folder/custodyd.yaml" <<END
# Made by secrets.sh. Every key is explained in deploy/custodyd.example.yaml.
data: ""
listen: 0.0.0.0:8080
tls-cert: /run/secrets/tls.crt
tls-key: /run/secrets/tls.key
nats: $(addresses "" "$@")
nats-login-file: /run/secrets/nats.login
operator-login-file: /run/secrets/operator.login
replicas: 3
key-file: /run/secrets/custody.key
identity-keys: /var/lib/custody/identity.keys
END
scheme=nats-route port=6222 join=', '
cat >"$folder/nats.env" <<END
CUSTODY_NATS_KEY=$store
CUSTODY_NATS_DAEMON_PASSWORD=$daemon
CUSTODY_NATS_OPERATOR_PASSWORD=$operator
CUSTODY_NATS_SYSTEM_PASSWORD=$system
CUSTODY_NATS_ROUTE_PASSWORD=$route
CUSTODY_NATS_ROUTES=[$(addresses "route:$route@" "$@")]
END
echo "secrets: made the files of an external cluster in $folder; keep a copy elsewhere"
