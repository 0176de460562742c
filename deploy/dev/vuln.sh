#!/usr/bin/env bash
# vuln.sh checks every package against the vulnerability database, which is built
# here from the module that tools/go.mod pins: nothing is asked of a service, and
# the same commit gives the same answer. Raise the pin to learn of newer entries.
# It fails on a vulnerability that our code can reach, and prints the others.
# The standard library is judged as of the toolchain line of go.mod, with which
# releases are built; a Go on this machine that is older is told so.
set -euo pipefail
cd "$(dirname "$0")/../.."

module=golang.org/x/vulndb
go -C tools mod download "$module"
version=$(go -C tools list -m -f '{{.Version}}' "$module")
source=$(go -C tools list -m -f '{{.Dir}}' "$module")
db=$PWD/.bin/vulndb-$version
if [ ! -e "$db/index/db.json" ]; then
	rm -rf .bin/vulndb-*
	.bin/indexdb -vulns "$source/data/osv" -out "$db.part"
	mv "$db.part" "$db"
fi

# A database that lost its entries would report nothing and look like good news.
entries=$(find "$db/ID" -name 'GO-*.json' | wc -l)
if [ "$entries" -lt 4000 ]; then
	echo "vuln: only $entries entries in $db; remove it and run again" >&2
	exit 1
fi
echo "vuln: $entries entries of $version"

here=$(go env GOVERSION)
release=$(awk '$1 == "toolchain" {print $2}' go.mod)
release=${release:-$here}
GOVERSION=$release .bin/govulncheck -db "file://$db" ./...
if [ "$release" != "$here" ]; then
	echo "vuln: judged for $release; this machine builds with $here: build what you run elsewhere with $release or newer"
fi
