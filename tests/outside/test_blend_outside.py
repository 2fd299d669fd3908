"""Blending formulas against the published specification."""

import numpy as np
import pytest

from blend.science.picture.colourspace import srgb_encode
from blend.science.picture.formula import apply_formula, evaluate_formula
from blend.science.picture.formulas import FORMULAS


def _number(name, base, line, amount=None):
    planes = np.full((1, 1), base), np.full((1, 1), line)
    if amount is None:
        return float(evaluate_formula(FORMULAS[name], *planes)[0, 0])
    return float(apply_formula(FORMULAS[name], *planes, amount=amount)[0, 0])


# W3C, Compositing and Blending Level 1, section 10.1: each formula of the text worked out by hand; Cb is the
# backdrop (base), Cs the source (line).
W3C = [
    ("screen", 0.2, 0.4, 0.52),
    ("screen", 0.2, 0.7, 0.76),
    ("screen", 0.5, 0.5, 0.75),
    ("screen", 0.6, 0.8, 0.92),
    ("maximum", 0.2, 0.4, 0.4),
    ("maximum", 0.5, 0.5, 0.5),
    ("soft-light", 0.2, 0.4, 0.168),
    ("soft-light", 0.2, 0.7, 0.2992),
    ("soft-light", 0.5, 0.5, 0.5),
    ("soft-light", 0.6, 0.8, 0.704758),
    ("soft-light", 0.1, 1.0, 0.296),
]


@pytest.mark.parametrize(("name", "base", "line", "result"), W3C)
def test_w3c_values(name, base, line, result):
    assert _number(name, base, line) == pytest.approx(result, abs=5e-7)


def test_w3c_opacity():
    # Section 5.8 with an opaque backdrop: Co = (1 - as) Cb + as B(Cb, Cs); lighten(.2, .7) at .4 is .40.
    assert _number("maximum", 0.2, 0.7, amount=0.4) == pytest.approx(0.40, abs=1e-7)


def test_w3c_soft_light_slow_and_plain():
    def soft_light(cb, cs):
        if cs <= 0.5:
            return cb - (1 - 2 * cs) * cb * (1 - cb)
        d = ((16 * cb - 12) * cb + 4) * cb if cb <= 0.25 else cb**0.5
        return cb + (2 * cs - 1) * (d - cb)

    grid = np.linspace(0, 1, 41)
    base, line = np.meshgrid(grid, grid)
    expected = np.array(
        [[soft_light(b, s) for b, s in zip(*row, strict=True)] for row in zip(base, line, strict=True)]
    )
    # float32 arithmetic near 1.
    assert np.abs(evaluate_formula(FORMULAS["soft-light"], base, line) - expected).max() < 3e-7


def test_screen_of_codes_is_not_screen_of_light():
    # The domain matters: of light, then encoded, .748; of the codes, .827 (worked out from IEC 61966-2-1).
    light = _number("screen", 0.2, 0.4)
    codes = _number("screen", *(float(srgb_encode(np.array(v))) for v in (0.2, 0.4)))
    assert float(srgb_encode(np.array(light))) == pytest.approx(0.748, abs=5e-4)
    assert codes == pytest.approx(0.827, abs=5e-4)
