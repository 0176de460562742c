#!/usr/bin/env bash
# secrets.sh FOLDER [NATS-HOST...] makes the secrets of an external cluster, once:
# passwords, the key of the stores and the daemon's own. It never writes over a file:
# with another key the stores can't be read. Keep a copy of FOLDER elsewhere.
#
#   custody.key     the daemon's key-file, the same for every custodyd
#   custodyd.yaml   its settings with the addresses of both users
#   nats.env        what deploy/nats/nats-server.conf wants from the environment,
#                   but for CUSTODY_NATS_NAME, _STORE and _MONITOR
#
# NATS-HOST are the names of the servers: nats-0 nats-1 nats-2 unless given.
set -euo pipefail

if [ $# -lt 1 ]; then
	echo "usage: $0 FOLDER [NATS-HOST...]" >&2
	exit 2
fi
folder=$1
shift
[ $# -gt 0 ] || set -- nats-0 nats-1 nats-2
for file in custody.key custodyd.yaml nats.env; do
	if [ -e "$folder/$file" ]; then
		echo "secrets: $folder/$file exists and stays as it is; give another folder" >&2
		exit 1
	fi
done

# The server reads values as settings: a letter first, then letters and digits.
word() { printf 'k'; od -An -N24 -tx1 /dev/urandom | tr -d ' \n'; }
addresses() {
	local user=$1 out=
	shift
	for host in "$@"; do out+="${out:+$join}$scheme://$user@$host:$port"; done
	printf '%s' "$out"
}

daemon=$(word) operator=$(word) system=$(word) route=$(word) store=$(word)
mkdir -p "$folder"
# The folder keeps others out. The files can be read by the user of a container,
# which sees the files without the folder.
chmod 0700 "$folder"
umask 022
head -c 32 /dev/urandom | base64 >"$folder/custody.key"
scheme=nats port=4222 join=,
cat >"$folder/custodyd.yaml" <<END
# Made by secrets.sh. Every key is explained in deploy/custodyd.example.yaml.
data: ""
listen: 0.0.0.0:8080
nats: $(addresses "daemon:$daemon" "$@")
operator-nats: $(addresses "operator:$operator" "$@")
replicas: 3
key-file: /run/secrets/custody.key
END
scheme=nats-route port=6222 join=', '
cat >"$folder/nats.env" <<END
CUSTODY_NATS_KEY=$store
CUSTODY_NATS_DAEMON_PASSWORD=$daemon
CUSTODY_NATS_OPERATOR_PASSWORD=$operator
CUSTODY_NATS_SYSTEM_PASSWORD=$system
CUSTODY_NATS_ROUTE_PASSWORD=$route
CUSTODY_NATS_ROUTES=[$(addresses "route:$route" "$@")]
END
echo "secrets: made custody.key, custodyd.yaml and nats.env in $folder; keep a copy elsewhere"
