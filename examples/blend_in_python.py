"""The job of `blend run` from Python, and then one layer by hand.

Run it on the masters of the demonstration (`bash examples/demo.sh` makes them), or on a target file of yours that
has a colour master called rgb and a line master called ha:

    python examples/blend_in_python.py demo/masters/lantern-spiral.target.toml demo/by-hand
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from astropy.io import fits

import blend
from blend.science.picture.formulas import define_formula


def run(target_file: Path, out: Path) -> blend.Outcome:
    """Do what `blend run galaxy-moonlit TARGET --stages --set output.crop=none --set protect.stars=0` does."""
    target = blend.open_target(target_file)
    # Settings are written as after --set. The whole frame is kept here, so that the results and the stages, which
    # are never cropped, lie on one grid. Stars are left to the formula alone, as below.
    settings = ("output.crop=none", "protect.stars=0")
    recipe = blend.open_recipe("galaxy-moonlit", target=target, settings=settings)
    return blend.run_target(recipe, target, out=out, stages=True)


def add_line(out: Path, *, amount: float) -> None:
    """Put the line into the red plane again, with another weight and with another formula, in linear light."""
    # A master is (planes, rows, columns) of float32, read-only, NaN where there are no data.
    colour = blend.read_picture(out / "stages" / "rgb-balanced.fits")
    # The line's light, signed and whole, and what of it is sure: their product is what a blend uses.
    light, weight = (blend.read_picture(out / f"emission{part}.fits").pixels[0] for part in ("", "-weight"))
    emission = light * weight
    red = colour.pixels[0]

    # A formula of the table. `blend formulas emission-add` prints its equation: base + amount * line.
    formula = blend.FORMULAS["emission-add"]
    weighted = blend.apply_formula(formula, red, emission, amount=amount)

    # A formula of one's own is the same kind of text, as in the table [formulas] of a recipe. This one compresses
    # the bright knots: k is the line's light, in counts of the red plane, that comes in at half its strength.
    own = define_formula(
        "gentle-add",
        domain="linear",
        equation="base + amount * line / (1 + abs(line) / k)",
        neutral="0",
        params={"k": 0.01},
        about="Adds line light, the bright less than the faint.",
    )
    gentle = blend.apply_formula(own, red, emission, amount=amount, params={"k": 0.005})

    # The recipe did the same with amount 1 and kept it in linear.fits: both ways must give the same numbers.
    recipes_red = blend.read_picture(out / "linear.fits").pixels[0]
    by_hand = blend.apply_formula(formula, red, emission, amount=1.0)
    difference = float(np.nanmax(np.abs(by_hand - recipes_red)))

    print(f"by hand against the recipe, largest difference: {difference:g}")
    print(f"brightest line light added by {formula.name}, amount {amount:g}: {brightest(weighted - red):.4f}")
    print(f"brightest line light added by {own.name}, amount {amount:g}:   {brightest(gentle - red):.4f}")

    # Inputs are never changed, so a changed plane goes into a copy.
    changed = colour.pixels.copy()
    changed[0] = gentle
    fits.writeto(out / "gentle.fits", changed, overwrite=True)
    print(f"linear colour with the line added gently: {out / 'gentle.fits'}")


def brightest(plane: np.ndarray) -> float:
    """Return the largest value that is a number."""
    return float(np.nanmax(plane))


def main() -> None:
    """Run on the target file and the folder named on the command line."""
    if len(sys.argv) != 3:
        raise SystemExit("Usage: python examples/blend_in_python.py TARGET_FILE OUT")
    target_file, out = Path(sys.argv[1]), Path(sys.argv[2])
    try:
        outcome = run(target_file, out)
    except blend.BlendError as fault:
        # Says where, what was found, what was expected and what to do; the command would end with this code.
        print(fault, file=sys.stderr)
        raise SystemExit(fault.exit_code) from None
    # The record is what record.json holds: every number that the run found.
    scale = outcome.record["continuum"]["ha"]
    print(f"continuum scale {scale['scale']:.4f} +- {scale['error']:.4f} from {scale['stars']} stars")
    for _, text in outcome.warnings:
        print(f"Note: {text}")
    add_line(out, amount=0.5)


if __name__ == "__main__":
    main()
