#!/usr/bin/env bash
# Lint, type-check and test the project in its own environment; makes .venv if there is none.
# Usage: bash tests/run.sh [arguments for pytest]
set -euo pipefail
here=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
source "$here/examples/venv.sh"
make_venv "$here" "$here[test]"
cd "$here"
.venv/bin/ruff check .
.venv/bin/ruff format --check .
.venv/bin/mypy
if [ $# -gt 0 ]; then
    exec .venv/bin/python -m pytest "$@"
fi
# Two lanes, for two cores: the tests of whole commands, and everything else with the drivers.
log=$(mktemp)
second() {
    local failed=0
    .venv/bin/python -m pytest --ignore=tests/app tests || failed=1
    bash tests/fuzz.sh --cases 2000 2> /dev/null || failed=1
    bash tests/faults.sh --kills 10 || failed=1
    bash tests/wrong.sh --short || failed=1
    return "$failed"
}
second > "$log" 2>&1 &
beside=$!
trap 'kill "$beside" 2> /dev/null || true; rm -f "$log"' EXIT
failed=0
.venv/bin/python -m pytest tests/app blend || failed=1
wait "$beside" || failed=1
cat "$log"
exit "$failed"
