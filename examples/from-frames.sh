#!/usr/bin/env bash
# From raw frames to the finished picture: draw a simulated night as DNG files, stack them, blend, compare with the truth.
# Usage: bash examples/from-frames.sh [FOLDER]   (default ./from-frames; about 400 MB)
set -euo pipefail
here=$(cd "$(dirname "${BASH_SOURCE[0]}")/.." && pwd)
source "$here/examples/venv.sh"
[ -n "${BLEND:-}" ] || make_venv "$here" "$here"
blend=${BLEND:-$here/.venv/bin/blend}
python=$here/.venv/bin/python
out=${1:-from-frames}
frames=$out/frames
masters=$out/masters

$python "$here/examples/make_frames.py" draw "$out"
mkdir -p "$masters"
$blend stack bias "$frames/bias" --out "$masters/bias.fits" --quiet
$blend stack dark "$frames/dark-rgb" --out "$masters/dark-rgb.fits" --quiet
$blend stack dark "$frames/dark-ha" --out "$masters/dark-ha.fits" --quiet
$blend stack flat "$frames/flat" --bias "$masters/bias.fits" --out "$masters/flat.fits" --quiet
$blend gain "$frames/flat/flat-000.dng" "$frames/flat/flat-001.dng" "$frames/bias/bias-000.dng" "$frames/bias/bias-001.dng"
$blend stack light "$frames/light-rgb" --out "$masters/rgb.fits" --csv "$masters/rgb.csv" \
    --dark "$masters/dark-rgb.fits" --flat "$masters/flat.fits" --reference light-rgb-000.dng --gain 3.4 --quiet
$blend stack light "$frames/light-ha" --out "$masters/ha.fits" --csv "$masters/ha.csv" --line ha \
    --dark "$masters/dark-ha.fits" --flat "$masters/flat.fits" --reference light-ha-000.dng --gain 3.4 --quiet
$blend run galaxy-moonlit -m "rgb=$masters/rgb.fits" -m "ha=$masters/ha.fits" \
    --stages --out "$out/result"
$python "$here/examples/make_frames.py" compare "$out"
