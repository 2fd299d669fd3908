#!/usr/bin/env bash
# See the top of tests/wrong.py. Usage: bash tests/wrong.sh [options]
set -euo pipefail
here=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
cd "$here"
exec "${PYTHON:-$here/.venv/bin/python}" tests/wrong.py "$@"
