#!/usr/bin/env bash
# types.sh TSC checks the types of every script that the pages load, by the
# configurations beside internal/web/assets: one for each place where scripts run,
# since the names of a page and of a worker get into each other's way. It fails too
# on a script that would go unchecked: one that no configuration reaches, one that
# an editor would not check, or one that asks to be left alone.
set -euo pipefail
tsc=$(realpath "$1")
cd -P "$(dirname "$0")/../.."

bad=0
reached=$(mktemp)
said=$(mktemp)
trap 'rm -f "$reached" "$said"' EXIT
for config in internal/web/tsconfig*.json; do
	if ! "$tsc" --project "$config" --pretty false --listFiles >"$said"; then
		grep -v "^/" "$said" >&2 || cat "$said" >&2
		bad=1
	fi
	grep "^$PWD/" "$said" >>"$reached" || true
done

scripts=0
while read -r file; do
	scripts=$((scripts + 1))
	if ! grep -qxF "$PWD/$file" "$reached"; then
		echo "$file is in no configuration: add it to one of internal/web/tsconfig*.json" >&2
		bad=1
	fi
	if [ "$(head -n 1 "$file")" != "// @ts-check" ]; then
		echo "$file: its first line must be \"// @ts-check\", or editors show no mistake in it" >&2
		bad=1
	fi
	if grep -nE '@ts-(nocheck|ignore|expect-error)' "$file" /dev/null >&2; then
		echo "$file: say the type instead of switching the check off" >&2
		bad=1
	fi
done < <(find internal cmd deploy \( -name '*.js' -o -name '*.mjs' -o -name '*.cjs' \) -not -path '*/testdata/*' -not -path '*/vendor/*' | LC_ALL=C sort)
[ "$bad" = 0 ] || exit 1
[ "$scripts" -gt 0 ] || { echo "types: no script was found" >&2; exit 1; }
echo "types: $scripts scripts checked"
