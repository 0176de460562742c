#!/usr/bin/env bash
# sbom.sh builds the programs of the images with the line of deploy/Containerfile and
# lists what each is made of, from what the Go linker wrote into it, as CycloneDX 1.6
# JSON: .bin/release/NAME and .bin/release/NAME.cdx.json. It fails when a list and its
# program name different modules. Licences stand in deploy/LICENCES.md.
#
# Tried: all three lists against bom-1.6.schema.json of cyclonedx-go v0.9.3, by hand.
set -euo pipefail
cd "$(dirname "$0")/../.."

out=.bin/release
mkdir -p "$out"
rm -f "$out"/*
line=$(sed -n 's|^RUN \(CGO_ENABLED=0 go build .*\)|\1|p' deploy/Containerfile)
case $line in
*" -o /out/ "*) ;;
*) echo "sbom: deploy/Containerfile has no build line with -o /out/" >&2; exit 1 ;;
esac
bash -euo pipefail -c "${line/-o \/out\//-o $out/}"

version=$(git describe --tags --always --dirty 2>/dev/null) || version=unknown
for program in custodyd scan nats-server; do
	args=(bin -json -std -output-version 1.6 -output "$out/$program.cdx.json")
	# The server's own module has its version already.
	[ "$program" = nats-server ] || args+=(-version "$version")
	.bin/cyclonedx-gomod "${args[@]}" "$out/$program"
	named=$(go version -m "$out/$program" | awk '$1 == "dep" {print $2 "@" $3}' | LC_ALL=C sort)
	listed=$(grep -oE '"bom-ref": "pkg:golang/[^"?]+' "$out/$program.cdx.json" | sed 's|.*pkg:golang/||' |
		grep -vE '^(std|specimen\.example/custody)@' | LC_ALL=C sort)
	[ "$program" != nats-server ] || listed=$(grep -v '^github.com/nats-io/nats-server/v2@' <<<"$listed")
	if [ "$named" != "$listed" ]; then
		echo "sbom: $program holds, and its list names, different modules:" >&2
		diff <(echo "$named") <(echo "$listed") >&2 || true
		exit 1
	fi
	echo "sbom: $out/$program.cdx.json names $(wc -l <<<"$named") modules"
done
