# Sourced by examples/demo.sh and tests/run.sh: one way to make the project's own Python environment.

# make_venv PROJECT WHAT: a virtual environment in PROJECT/.venv with WHAT (a path, or path[extra]) installed editable.
make_venv() {
    local project=$1 what=$2 python=${PYTHON:-python3}
    if ! "$python" -c 'import sys; sys.exit(sys.version_info < (3, 11))' 2>/dev/null; then
        echo "Python 3.11 or newer is needed; '$python' is not. Set PYTHON to one that is." >&2
        return 1
    fi
    if [ ! -x "$project/.venv/bin/python" ]; then
        echo "Making $project/.venv ..." >&2
        "$python" -m venv "$project/.venv"
    fi
    echo "Installing what is missing (about 200 MB the first time) ..." >&2
    "$project/.venv/bin/python" -m pip install --quiet --disable-pip-version-check \
        --constraint "$project/tests/constraints.txt" --editable "$what" 2> "$project/.venv/install.log" \
        || { cat "$project/.venv/install.log" >&2; return 1; }
}

# compile_kernels PROJECT: run the demonstration once where nobody looks, so that every kernel is compiled and kept.
compile_kernels() {
    local project=$1 scratch
    [ ! -f "$project/.venv/kernels-compiled" ] || return 0
    echo "Compiling (once, about a minute) ..." >&2
    scratch=$(mktemp -d)
    "$project/.venv/bin/blend" demo --out "$scratch/demo" > /dev/null 2>&1 || true
    rm -rf "$scratch"
    touch "$project/.venv/kernels-compiled"
}
