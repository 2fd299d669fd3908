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
drivers() {
    bash tests/fuzz.sh --cases 2000 2> /dev/null
    bash tests/faults.sh --kills 10
    bash tests/wrong.sh --short
}
# The drivers start a process for most of their cases; pytest is one: two cores take both at once.
log=$(mktemp)
drivers > "$log" 2>&1 &
beside=$!
trap 'kill "$beside" 2> /dev/null || true; rm -f "$log"' EXIT
tested=0
.venv/bin/python -m pytest || tested=$?
driven=0
wait "$beside" || driven=$?
cat "$log"
exit $((tested > 0 ? tested : driven))
