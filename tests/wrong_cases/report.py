"""Formulas that spoil a picture, formats that are asked for alone, and holes without data."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from astropy.io import fits
from wrong_cases.cases import Case, Make, night, run_words

OWN = """
version = 1
[formulas.mine]
domain = "{domain}"
equation = "{equation}"
neutral = "{neutral}"

[blend.mine]
into = "{into}"
from = "{source}"
formula = "mine"
"""


def _own(
    equation: str,
    *,
    domain: str = "display",
    neutral: str = "0",
    into: str = "luminance",
    source: str = "ha.emission",
) -> Make:
    def make(folder: Path) -> list[str]:
        recipe = folder / "own.toml"
        words = {"domain": domain, "equation": equation, "neutral": neutral, "into": into, "source": source}
        recipe.write_text(OWN.format(**words), encoding="utf-8")
        return run_words(night(folder), recipe=str(recipe))

    return make


def _checked(equation: str, neutral: str = "0") -> Make:
    def make(folder: Path) -> list[str]:
        return ["check", _own(equation, neutral=neutral)(folder)[1]]

    return make


def _settings(*settings: str) -> Make:
    def make(folder: Path) -> list[str]:
        return run_words(night(folder), *(word for setting in settings for word in ("--set", setting)))

    return make


FORMULA_CASES = [
    Case(
        name=f"a formula of one's own: {equation}",
        wrong=_checked(equation, neutral),
        right=_checked("base + line * (1 - base)"),
        code=2,
        says="of a sky at",
        short=equation == "base + 1",
    )
    for equation, neutral in (
        ("base + sqrt(0-1)", "0"),
        ("base / 0", "0"),
        ("base + 1", "0"),
        ("5", "0"),
        ("0 - base", "0"),
        ("max(base, line)", "0.3"),
    )
] + [
    Case(
        name="a formula's parameter that divides by 0",
        wrong=_settings("blend.luminance.formula=maximum-above-noise", "blend.luminance.params.threshold=-1"),
        right=_settings("blend.luminance.formula=maximum-above-noise", "blend.luminance.params.threshold=2"),
        code=2,
        says="blend.luminance.params",
    ),
    Case(
        name="a formula without a number in bright light",
        wrong=_own("base + line + 0 * sqrt(0.7 - base)"),
        right=_own("base + line + 0 * sqrt(max(0.7 - base, 0))"),
        code=4,
        says="blend.mine: the formula 'mine' makes no finite number of",
    ),
    Case(
        name="a formula that turns the picture white",
        wrong=_own("base + 50 * max(line - sky, 0)", neutral="sky", source="ha"),
        right=_own("base + 0.5 * max(line - sky, 0)", neutral="sky", source="ha"),
        code=4,
        says="of the frame white that was not so before",
    ),
    Case(
        name="a linear formula that turns the picture black",
        wrong=_own("base - 300 * max(line, 0)", domain="linear", into="red", source="ha"),
        right=_own("base - 0.3 * max(line, 0)", domain="linear", into="red", source="ha"),
        code=4,
        says="of the frame black that was not so before",
    ),
]

FORMAT_CASES = [
    Case(
        name="a format that is none",
        wrong=_settings('output.formats=["jpg"]'),
        right=_settings('output.formats=["jpeg"]'),
        code=2,
        says="did you mean 'jpeg'",
    ),
]


def _without(name: str, rows: slice, columns: slice) -> Make:
    """Return a run of a night whose master ``name`` holds no data in a part of its frame."""

    def make(folder: Path) -> list[str]:
        target = night(folder)
        path = next(folder.glob(f"{name}-light.fits"))
        with fits.open(path, memmap=False) as opened:
            pixels, header = opened[0].data.astype(np.float32), opened[0].header
        pixels[..., rows, columns] = np.nan
        fits.writeto(path, pixels, header, overwrite=True)
        return run_words(target)

    return make


HOLE_CASES = [
    Case(
        name="a hole in the line master",
        wrong=_without("ha", slice(200, 230), slice(290, 320)),
        right=_without("ha", slice(0, 4), slice(None)),
        warning="hole-filled",
        says="ha holds no data inside: 1 hole",
    ),
    Case(
        name="a hole in one colour master",
        wrong=_without("rgb", slice(100, 160), slice(400, 480)),
        right=_without("rgb", slice(None), slice(0, 4)),
        warning="hole-filled",
        says="the frame, 80 x 60 px around (440, 130)",
    ),
    Case(
        name="a wide band without data from edge to edge",
        wrong=_without("ha", slice(150, 200), slice(None)),
        right=_settings(),
        says='output.crop = "full-coverage" leaves out',
    ),
]

CASES = [*FORMULA_CASES, *FORMAT_CASES, *HOLE_CASES]
