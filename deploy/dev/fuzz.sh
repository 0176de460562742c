#!/usr/bin/env bash
# fuzz.sh [DURATION] runs every fuzz target for a while (10 s unless told), as many at
# once as there are processors, each with one of them.
# A failing input is left under the package's testdata/fuzz: commit it with the
# mend, it is a test case from then on.
set -euo pipefail
cd "$(dirname "$0")/../.."

export duration=${1:-10s}
targets=$(grep -rEoH --include='*_test.go' '^func Fuzz[A-Za-z0-9_]+' cmd internal | sed 's/:func / /' | LC_ALL=C sort) || true
if [ -z "$targets" ]; then
	echo "fuzz: no fuzz target found under cmd and internal" >&2
	exit 1
fi

target() {
	local file=$1 name=$2 log tries=1
	log=$(mktemp)
	# The fuzzer sometimes reports its own end of time as a failure, with no input to
	# blame (golang/go issue 75804, a race of its coordinator). Again tells the two apart.
	until go test -run '^$' -fuzz "^$name\$" -fuzztime "$duration" -fuzzminimizetime 5s -parallel 1 "./$(dirname "$file")" >"$log" 2>&1 </dev/null; do
		if [ $tries -lt 4 ] && grep -q 'context deadline exceeded' "$log" && ! grep -qE 'Failing input|panic' "$log"; then
			tries=$((tries + 1))
			continue
		fi
		cat "$log"
		echo "fuzz: $name in $(dirname "$file") failed"
		rm -f "$log"
		return 1
	done
	tail -n 2 "$log" | sed "s/^/$name: /"
	rm -f "$log"
}
export -f target

# xargs ends with 123 when a target failed, after all have run.
xargs -L 1 -P "$(nproc)" bash -c 'set -uo pipefail; target "$@"' fuzz <<<"$targets"
