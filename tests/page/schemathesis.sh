#!/usr/bin/env bash
# Throws made-up requests at the JSON interface of a house of its own and holds every
# answer against scheduler/page/openapi.json. Long; not part of tests/run.
#
#   tests/page/schemathesis.sh [MOST_REQUESTS_PER_OPERATION]
#
# Needs python3 with venv, and fetches schemathesis from PyPI into a scratch folder.
set -euo pipefail
cd "$(dirname "${BASH_SOURCE[0]}")/../.."
most=${1:-60}
scratch=$(mktemp -d)
daemon=
trap '[ -z "$daemon" ] || kill "$daemon" 2>/dev/null || true; rm -rf "$scratch"' EXIT

python3 -m venv "$scratch/venv"
"$scratch/venv/bin/pip" install -q schemathesis==4.32.5
cargo build --locked -q -p leeside
leeside=${CARGO_TARGET_DIR:-target}/debug/leeside

free() { python3 -c 'import socket; s = socket.socket(); s.bind(("127.0.0.1", 0)); print(s.getsockname()[1])'; }
broker=$(free) page=$(free)
{
  cat tests/sites/quick.toml
  printf '[broker]\nroot = "quick"\nembedded = { listen = "127.0.0.1:%s" }\n' "$broker"
  printf '[page]\nlisten = "127.0.0.1:%s"\npeople_file = "people.toml"\n' "$page"
  printf '[[calendar]]\nname = "closed days"\nfile = "house.ics"\nday_class = "closed"\n'
} >"$scratch/site.toml"
printf 'BEGIN:VCALENDAR\r\nVERSION:2.0\r\nPRODID:-//tests//EN\r\nEND:VCALENDAR\r\n' >"$scratch/house.ics"
password='wind from the west'
"$leeside" people add "$scratch/site.toml" keeper --role configure <<<"$password"
"$leeside" run "$scratch/site.toml" --quiet >"$scratch/log" 2>&1 &
daemon=$!
for _ in $(seq 100); do curl -sf -o /dev/null "http://127.0.0.1:$page/sign-in" && break; sleep 0.1; done

answer=$(curl -sf -c "$scratch/jar" -H 'content-type: application/json' \
  -d "{\"name\":\"keeper\",\"password\":\"$password\"}" "http://127.0.0.1:$page/api/v1/session")
csrf=$(python3 -c 'import json, sys; print(json.loads(sys.argv[1])["csrf"])' "$answer")
cookie=$(awk '$6 == "leeside_session" { print $7 }' "$scratch/jar")

# The session itself is left out: ending it would end the run.
# It keeps what it found beside itself.
cd "$scratch"
"$scratch/venv/bin/schemathesis" run "http://127.0.0.1:$page/api/v1/openapi.json" \
  --exclude-path-regex '/session' --max-examples "$most" --seed 1 \
  --checks not_a_server_error,status_code_conformance,content_type_conformance,response_schema_conformance \
  -H "cookie: leeside_session=$cookie" -H "x-csrf-token: $csrf"
kill -0 "$daemon"
