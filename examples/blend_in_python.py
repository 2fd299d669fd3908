"""The whole picture by hand: every step of a recipe called from Python, then one layer put in by another formula.

Run it on the masters of the demonstration (`bash examples/demo.sh` makes them), or on a folder of yours that holds
rgb-light.fits, ha-light.fits and, where there are some, rgb-dark.fits, ha-flat.fits and so on:

    python examples/blend_in_python.py demo/masters demo/by-hand

The settings are those of the recipe galaxy-moonlit where they differ from the defaults, so that result.fits is the file
that `blend run galaxy-moonlit` leaves, byte for byte.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

import blend

KINDS = ("dark", "flat", "bias", "flat_dark")

# What the demonstration's target file says of its filters.
FILTERS = {"rgb": {"red_width_nm": 100}, "ha": {"line_nm": 656.28, "width_nm": 7}}

# All blends of the picture: those with a linear formula come before the stretch, the others after it.
BLENDS = {
    "red": {
        "into": "red",
        "from": "ha.emission",
        "formula": "emission-add",
        "amount": 1.0,
        "into_other_planes": {"blue": 0.15, "green": 0.05},
    },
    "luminance": {"into": "luminance", "from": "ha.emission", "formula": "screen", "amount": 0.2},
}


def whole_picture(folder: Path) -> tuple[blend.Work, blend.Work]:
    """Return the state before the linear blends, and the last one."""
    # A master is (planes, rows, columns) of float32, read-only, NaN where there are no data. Arrays and CCDData serve
    # as well; calibration frames may be left out.
    lights = {name: blend.read(folder / f"{name}-light.fits") for name in ("rgb", "ha")}
    frames = {
        name: {kind: blend.read(path) for kind in KINDS if (path := folder / f"{name}-{kind}.fits").is_file()}
        for name in lights
    }
    state = blend.prepare(lights, frames=frames, target=FILTERS)
    state = blend.calibrate(state)
    state = blend.align(state)
    state = blend.subtract_sky(state)
    state = blend.emission(state, ha={"from": "red", "weight_sigma": 3.0})
    balanced = state = blend.white(state, white="stars")
    state = blend.blend_lines(state, BLENDS)
    state = blend.stretch(
        state, curve="asinh", white="target", sky_level=0.10, black_sigma=3.7, noise_sigma=0.9
    )
    state = blend.blend_lines(state)
    state = blend.finish(
        state,
        noise_sigma=0.9,
        chroma_reduction=0.95,
        green_limit=0.7,
        contrast=0.2,
        curve=[[0.15, 0.2]],
        saturation=1.4,
    )
    return balanced, state


def another_formula(balanced: blend.Work) -> blend.Master:
    """Return linear light with the line in the red plane, by a formula of one's own."""
    # This one compresses the bright H II regions: k is the line's light, in counts of the red plane, that comes in at
    # half its strength. The text is what a recipe has in its table [formulas].
    gentle = blend.define_formula(
        "gentle-add",
        domain="linear",
        equation="base + amount * line / (1 + abs(line) / k)",
        neutral="0",
        params={"k": 0.01},
        about="Adds line light, the bright less than the faint.",
    )
    red, line = balanced.rgb.plane("red"), balanced.lines["ha"].emission
    for formula in ("emission-add", gentle):
        added = blend.apply_formula(formula, red, line, amount=0.5) - red
        name = formula if isinstance(formula, str) else formula.name
        print(f"brightest line light added by {name}, amount 0.5: {np.nanmax(added):.4f}")
    # Inputs are never changed, so a changed plane goes into a copy.
    changed = balanced.rgb.pixels.copy()
    changed[0] = blend.apply_formula(gentle, red, line, amount=0.5)
    return balanced.rgb.with_(pixels=changed)


def main() -> None:
    """Run on the folders named on the command line."""
    if len(sys.argv) != 3:
        raise SystemExit("Usage: python examples/blend_in_python.py FOLDER_OF_MASTERS OUT")
    out = Path(sys.argv[2])
    try:
        balanced, state = whole_picture(Path(sys.argv[1]))
        for name in ("result.fits", "result.tif", "preview.png"):
            blend.write(out / name, state, overwrite=True)
        blend.write(out / "gentle.fits", another_formula(balanced), overwrite=True)
    except blend.BlendError as fault:
        # Says where, what was found, what was expected and what to do; the command would end with this code.
        print(fault, file=sys.stderr)
        raise SystemExit(fault.exit_code) from None
    scale = state.lines["ha"].scale
    print(f"continuum scale {scale.value:.4f} +- {scale.error:.4f} from {scale.stars} stars")
    for _, text in state.warnings:
        print(f"Note: {text}")
    print(f"the picture: {out / 'result.tif'}")


if __name__ == "__main__":
    main()
