#!/usr/bin/env bash
# need.sh THING PACKAGE... installs Debian packages when THING, a program or the
# path of a file, is missing. Root gets them installed; anybody else is told the
# one line to run.
set -euo pipefail

thing=$1
shift
present() { command -v "$thing" >/dev/null || [ -e "$thing" ]; }
if present; then
	exit 0
fi
if [ "$(id -u)" != 0 ] || ! command -v apt-get >/dev/null; then
	echo "$thing is missing. Run this once, then try again:" >&2
	echo "    sudo apt-get update && sudo apt-get install -y $*" >&2
	exit 1
fi
echo "installing $* (once; $thing is missing)"
log=$(mktemp)
trap 'rm -f "$log"' EXIT
export DEBIAN_FRONTEND=noninteractive
if ! { apt-get update && apt-get install -y --no-install-recommends "$@"; } >"$log" 2>&1 </dev/null; then
	tail -n 30 "$log" >&2
	echo "installing $* failed; the lines above say why" >&2
	exit 1
fi
present || {
	echo "$thing is still missing after installing $*" >&2
	exit 1
}
