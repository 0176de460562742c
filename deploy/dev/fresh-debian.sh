#!/usr/bin/env bash
# fresh-debian.sh [-b] FOLDER [GO] proves that the README's two commands are enough
# on a Debian that has only Go, make, git and a C compiler. As root: it fills FOLDER
# with a bookworm, clones the last commit into it, runs "make demo" until the
# address answers, stops it, and runs "make test".
#   -b    only make the base and say the Go version
#   GO    the Go to lend to the folder (/usr/local/go), read-only
# FOLDER may exist from an earlier run; remove it for a base as fresh as can be.
# What this machine needs to reach its package registries (apt sources, proxies,
# certificates) is read when the script runs; nothing of it is kept in the repository.
set -euo pipefail

base_only=
if [ "${1:-}" = -b ]; then
	base_only=yes
	shift
fi
if [ $# -lt 1 ] || [ $# -gt 2 ]; then
	echo "usage: $0 [-b] FOLDER [GO]" >&2
	exit 2
fi
repo=$(cd "$(dirname "$0")/../.." && pwd)
mkdir -p "$1"
root=$(cd "$1" && pwd)
go=${2:-/usr/local/go}
[ "$(id -u)" = 0 ] || { echo "fresh-debian: run it as root" >&2; exit 1; }
[ -x "$go/bin/go" ] || { echo "fresh-debian: no Go at $go; give its folder as the second argument" >&2; exit 1; }
"$repo/deploy/dev/need.sh" debootstrap debootstrap

# The second half runs in namespaces of its own: mounts and whatever is left
# running end with it.
if [ "${FRESH_INSIDE:-}" != yes ]; then
	if [ ! -e "$root/usr/bin/make" ]; then
		sources=$(cat /etc/apt/sources.list /etc/apt/sources.list.d/*.sources 2>/dev/null || true)
		mirror=${DEBIAN_MIRROR:-$(awk '$1 == "URIs:" {print $2; exit}
			$1 == "deb" {for (i = 2; i <= NF; i++) if ($i ~ /:\/\//) {print $i; exit}}' <<<"$sources")}
		debootstrap --variant=minbase --include=make,git,gcc,libc6-dev,ca-certificates \
			bookworm "$root" ${mirror:+"$mirror"} >"$root.log" 2>&1 || { tail -n 20 "$root.log" >&2; exit 1; }
	fi
	args=("$root" "$go")
	[ -z "$base_only" ] || args=(-b "${args[@]}")
	FRESH_INSIDE=yes exec unshare --mount --pid --fork --kill-child "$0" "${args[@]}"
fi

mkdir -p "$root/usr/local/go" "$root/root" "$root/srv" "$root/dev/shm"
mount --bind "$go" "$root/usr/local/go"
mount -o remount,bind,ro "$root/usr/local/go"
mount -t proc proc "$root/proc"
mount --rbind /dev "$root/dev"

# How this machine reaches its registries, for the length of this run's folder.
# A link inside the folder would lead a copy back out of it: replace, never follow.
lend() { [ ! -e "$1" ] || cp -rL --remove-destination "$1" "$root$(dirname "$1")/"; }
lend /etc/resolv.conf
lend /etc/hosts
for part in sources.list sources.list.d apt.conf.d auth.conf.d keyrings; do
	lend "/etc/apt/$part"
done
lend /etc/ssl/certs/ca-certificates.crt
lend /usr/local/share/ca-certificates
pass=()
for name in GOPROXY GOFLAGS GOTOOLCHAIN GOSUMDB GONOSUMDB GOPRIVATE GOINSECURE; do
	value=$("$go/bin/go" env "$name")
	[ -z "$value" ] || pass+=("$name=$value")
done
for name in http_proxy https_proxy no_proxy HTTP_PROXY HTTPS_PROXY NO_PROXY SSL_CERT_FILE SSL_CERT_DIR; do
	[ -z "${!name:-}" ] || pass+=("$name=${!name}")
done

inside() {
	chroot "$root" /usr/bin/env -i HOME=/root LANG=C.UTF-8 \
		PATH=/usr/local/go/bin:/usr/local/sbin:/usr/local/bin:/usr/sbin:/usr/bin:/sbin:/bin \
		"${pass[@]}" bash -euo pipefail -c "$1"
}

inside '. /etc/os-release; echo "fresh: $PRETTY_NAME, $(go version), $(make --version | head -n 1)"'
[ -z "$base_only" ] || exit 0

rm -rf "$root/srv/custody"
git clone --quiet "file://$repo" "$root/srv/custody"
echo "fresh: cloned $(git -C "$root/srv/custody" log -1 --format='%h %s')"

echo "fresh: make demo"
inside '
cd /srv/custody
set -m
began=$SECONDS
make demo >/srv/demo.log 2>&1 </dev/null &
demo=$!
stop() { kill -INT -- -$demo 2>/dev/null || true; wait $demo || true; }
trap stop EXIT
address=
for _ in $(seq 900); do
	address=$(grep -oE "http://[^/[:space:]]+:[0-9]+" /srv/demo.log | head -n 1 || true)
	[ -z "$address" ] || break
	kill -0 $demo 2>/dev/null || { cat /srv/demo.log; echo "fresh: make demo ended without an address"; exit 1; }
	sleep 1
done
[ -n "$address" ] || { tail -n 30 /srv/demo.log; echo "fresh: make demo printed no address"; exit 1; }
echo "fresh: the demo gave $address after $((SECONDS - began)) s"
port=${address##*:}
get() {
	exec 3<>"/dev/tcp/127.0.0.1/$port"
	printf "GET %s HTTP/1.1\r\nHost: 127.0.0.1:%s\r\nConnection: close\r\n\r\n" "$1" "$port" >&3
	head -n 1 <&3
	exec 3<&- 3>&-
}
for path in /healthz /wall /tubes/DEMO-0001; do
	line=$(get "$path")
	echo "fresh: $path: $line"
	case "$line" in *" 200 "*) ;; *) exit 1 ;; esac
done
trap - EXIT
kill -INT -- -$demo
for _ in $(seq 30); do kill -0 $demo 2>/dev/null || break; sleep 1; done
if kill -0 $demo 2>/dev/null; then echo "fresh: the demo did not stop within 30 s"; exit 1; fi
echo "fresh: the demo stopped"
'
echo "fresh: make test"
inside 'cd /srv/custody; began=$SECONDS; make test </dev/null; echo "fresh: make test took $((SECONDS - began)) s"'
