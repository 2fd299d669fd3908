#!/usr/bin/env bash
# Make .venv if needed, install blend into it, and run the demonstration on simulated masters.
# Usage: bash examples/demo.sh [options of `blend demo`]
set -euo pipefail
here=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
source "$here/examples/venv.sh"
make_venv "$here" "$here"
compile_kernels "$here"
exec "$here/.venv/bin/blend" demo --out "$here/demo" "$@"
