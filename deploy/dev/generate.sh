#!/usr/bin/env bash
# generate.sh [check] makes the Go code, the gateway and the API description
# from proto/. It writes into .bin/gen first, so a failing protoc leaves the tree
# as it was. With "check" it only compares, and fails when something differs.
set -euo pipefail
cd "$(dirname "$0")/../.."

mode=${1:-write}
gen=.bin/gen
rm -rf "$gen"
mkdir -p "$gen/proto" "$gen/internal/api"

run() {
	protoc -I proto \
		--plugin=.bin/protoc-gen-go \
		--plugin=.bin/protoc-gen-go-grpc \
		--plugin=.bin/protoc-gen-grpc-gateway \
		--plugin=.bin/protoc-gen-openapiv2 \
		"$@"
}

shopt -s nullglob
stored=(proto/event/v1/*.proto)
api=(proto/custody/v1/*.proto proto/stability/v1/*.proto)
[ ${#stored[@]} -gt 0 ] || { echo "generate: proto/event/v1 has no .proto file" >&2; exit 1; }

run --go_out="$gen/proto" --go_opt=paths=source_relative "${stored[@]}"
if [ ${#api[@]} -gt 0 ]; then
	run --go_out="$gen/proto" --go_opt=paths=source_relative \
		--go-grpc_out="$gen/proto" --go-grpc_opt=paths=source_relative \
		--grpc-gateway_out="$gen/proto" --grpc-gateway_opt=paths=source_relative \
		--openapiv2_out="$gen/internal/api" \
		--openapiv2_opt=allow_merge=true,merge_file_name=openapi,json_names_for_fields=true \
		"${api[@]}"
fi

outputs() {
	(cd "$1" && {
		find proto -name '*.pb.go' -o -name '*.pb.gw.go'
		[ ! -e internal/api/openapi.swagger.json ] || echo internal/api/openapi.swagger.json
	} | LC_ALL=C sort)
}

changed=0
while read -r file; do
	if cmp -s "$gen/$file" "$file"; then
		continue
	fi
	changed=1
	if [ "$mode" = check ]; then
		echo "generate: $file is not what proto/ gives" >&2
		diff -u "$file" "$gen/$file" 2>&1 | head -n 20 >&2 || true
	else
		cp "$gen/$file" "$file"
		echo "wrote $file"
	fi
done < <(outputs "$gen")
while read -r file; do
	[ ! -e "$gen/$file" ] || continue
	changed=1
	if [ "$mode" = check ]; then
		echo "generate: $file comes from no .proto file any more" >&2
	else
		rm "$file"
		echo "removed $file"
	fi
done < <(outputs .)

if [ "$mode" = check ] && [ $changed = 1 ]; then
	echo "generate: run 'make generate' and commit what it writes" >&2
	exit 1
fi
