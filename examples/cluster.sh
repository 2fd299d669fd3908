#!/usr/bin/env bash
# Start a Dask scheduler and two workers on this machine, run a batch on them, and stop them again.
# Usage: bash examples/cluster.sh [RECIPE TARGET...|FOLDER [options of `blend batch`]]
# Without arguments: two small simulated nights in ./cluster-demo.
set -euo pipefail
here=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
source "$here/examples/venv.sh"
python=${PYTHON:-}
if [ -z "$python" ]; then
    make_venv "$here" "$here[cluster]"
    python=$here/.venv/bin/python
fi
if [ $# -eq 0 ]; then
    for seed in 1 2; do
        "$python" - "cluster-demo/night-$seed" "$seed" <<'PYTHON'
import sys
from pathlib import Path
from blend.app.demo.demo import write_night
from blend.science.simulated.night import SceneOptions, simulate_night
file = write_night(simulate_night(SceneOptions(rows=500, columns=750, seed=int(sys.argv[2]))), Path(sys.argv[1]))
file.write_text(file.read_text().replace("lantern-spiral", f"night-{sys.argv[2]}", 1))
PYTHON
    done
    set -- galaxy-moonlit cluster-demo --out cluster-demo/results
fi
port=${PORT:-8786}
scratch=$(mktemp -d)
started=()
stop() {
    kill "${started[@]}" 2> /dev/null || true
    wait "${started[@]}" 2> /dev/null || true
    rm -rf "$scratch"
}
trap stop EXIT
"$python" -m distributed.cli.dask_scheduler --host 127.0.0.1 --port "$port" --no-dashboard > "$scratch/log" 2>&1 &
started+=($!)
for _ in 1 2; do
    "$python" -m distributed.cli.dask_worker "tcp://127.0.0.1:$port" --nthreads 1 --memory-limit 0 --no-dashboard \
        --local-directory "$scratch" >> "$scratch/log" 2>&1 &
    started+=($!)
done
"$python" - "tcp://127.0.0.1:$port" <<'PYTHON' || { cat "$scratch/log" >&2; exit 1; }
import sys
from distributed import Client
with Client(sys.argv[1], timeout=60) as client:
    client.wait_for_workers(2, timeout=60)
PYTHON
"$python" -c 'from blend.app.cli import main; main()' batch "$@" --cluster "tcp://127.0.0.1:$port"
