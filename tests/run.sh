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
if [ $# -eq 0 ]; then
    bash tests/fuzz.sh --cases 2000 2> /dev/null
    bash tests/faults.sh --kills 10
    bash tests/wrong.sh --short
fi
exec .venv/bin/python -m pytest "$@"
