#!/bin/sh
# The demonstration: the committed logs of the invented fleet, from the wires to the pages.
#   sh demo_logs/demo.sh HERDBOOK OUT
set -eu
herdbook=$1
out=$2

run() { # print a command as a person would type it, then run it; a scan's news codes are no failure here
    printf '\n$ herdbook %s\n' "$*"
    code=0
    "$herdbook" "$@" || code=$?
    case $code in 0 | 10 | 20 | 30) ;; *) exit $code ;; esac
}

rm -rf "$out"
mkdir -p "$out"
export HERDBOOK_STORE="$out/store"
run scan demo_logs/fleet --profiles dbc_demo
run store refit
# 120 more vehicles that left no log here: the list of the fleet, which a scan takes in, and what people did
cp demo_logs/book/vehicles.csv "$out/store/vehicles.csv"
{ echo 'vehicles = "vehicles.csv"'; cat "$out/store/herdbook.toml"; } >"$out/settings"
mv "$out/settings" "$out/store/herdbook.toml"
run scan demo_logs/fleet
run book import demo_logs/book/book.csv
run herd batches
run herd campaign "belt guard" --count repairs --part belt --days 100
run fleet --pages "$out/site"
run dossier ZB-0105 --out "$out/ZB-0105_dossier.html"
run history ZB-0105 --out "$out/ZB-0105_history.html"
run verify "$out/ZB-0105_history.html"
printf '\nWritten: %s/site/index.html, %s/ZB-0105_dossier.html, %s/ZB-0105_history.html\n' "$out" "$out" "$out"
printf 'Open them in any browser; they work offline. To type such commands yourself, first: . .venv/bin/activate\n'
