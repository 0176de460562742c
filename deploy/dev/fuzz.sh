#!/usr/bin/env bash
# fuzz.sh [DURATION] runs every fuzz target for a while (10 s unless told).
# A failing input is left under the package's testdata/fuzz: commit it with the
# mend, it is a test case from then on.
set -euo pipefail
cd "$(dirname "$0")/../.."

duration=${1:-10s}
targets=$(grep -rEoH --include='*_test.go' '^func Fuzz[A-Za-z0-9_]+' cmd internal | sed 's/:func / /' | LC_ALL=C sort) || true
if [ -z "$targets" ]; then
	echo "fuzz: no fuzz target found under cmd and internal" >&2
	exit 1
fi

log=$(mktemp)
trap 'rm -f "$log"' EXIT
fuzz() {
	go test -run '^$' -fuzz "^$2\$" -fuzztime "$duration" -fuzzminimizetime 5s "./$(dirname "$1")" >"$log" 2>&1 </dev/null
}

failed=0
while read -r file name; do
	# The fuzzer sometimes reports its own end of time as a failure, with no input to
	# blame (golang/go issue 75804, a race of its coordinator). Again tells the two apart.
	tries=1
	until fuzz "$file" "$name"; do
		if [ $tries -lt 4 ] && grep -q 'context deadline exceeded' "$log" && ! grep -qE 'Failing input|panic' "$log"; then
			tries=$((tries + 1))
			continue
		fi
		failed=1
		cat "$log"
		echo "fuzz: $name in $(dirname "$file") failed" >&2
		continue 2
	done
	tail -n 2 "$log" | sed "s/^/$name: /"
done <<<"$targets"
exit $failed
