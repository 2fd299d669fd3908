"""Loops over a run of pixels: against the program's own functions of the same name in the trade."""

from __future__ import annotations

import numpy as np
import pytest

from blend.pages import loops
from blend.science.picture import LUMINANCE_WEIGHTS
from blend.science.picture.colourspace import srgb_decode, srgb_encode
from tests.pages.test_lanes import run_loop

PIXELS = 101
STEPS = np.arange(loops.STEPS + 2) / loops.STEPS


def tables() -> dict[str, np.ndarray]:
    """Return the tables of sRGB by the names that the loops have for them."""
    decode, encode = srgb_decode(STEPS), srgb_encode(STEPS**2)
    made = {"decode": decode, "decode_step": np.diff(decode, append=0.0), "encode": encode}
    made["encode_step"] = np.diff(encode, append=0.0)
    return {name: table.astype(np.float32) for name, table in made.items()}


def light(seed: int) -> np.ndarray:
    """Return light of many sizes, some of it outside [0, 1]."""
    rng = np.random.default_rng(seed)
    values = 10.0 ** rng.uniform(-6, 0.1, PIXELS)
    values[:3] = (-0.1, 0.0, 1.0)
    return values.astype(np.float32)


def test_code_values_there_and_back() -> None:
    given, known = light(1), tables()
    arrays = {"light": given, "out": np.zeros(PIXELS, np.float32), **known}
    arrays = {name: arrays[name] for name in ("light", "out", "encode", "encode_step")}
    codes = run_loop(loops.encode_plane, arrays, {"count": PIXELS}, "out")
    # A hundredth of an 8-bit step is 4e-5.
    assert np.allclose(codes, srgb_encode(np.clip(given, 0, 1)), atol=1e-6)
    arrays = {"codes": codes.astype(np.float32), "out": np.zeros(PIXELS, np.float32)}
    arrays |= {name: known[name] for name in ("decode", "decode_step")}
    back = run_loop(loops.decode_plane, arrays, {"count": PIXELS}, "out")
    assert np.allclose(back, np.clip(given, 0, 1), rtol=1e-5, atol=1e-7)


@pytest.mark.parametrize("plane", ["red", "green", "blue", "past"])
def test_a_new_luminance_keeps_the_ratios(plane: str) -> None:
    rgb = 0.2 + 0.2 * np.random.default_rng(2).uniform(size=(3, PIXELS)).astype(np.float32)
    wanted = np.full(PIXELS, 0.7, np.float32)
    wanted[0] = 1.0
    arrays = dict(zip(("red", "green", "blue"), rgb, strict=True))
    arrays |= {"wanted": wanted, "before": np.zeros(PIXELS, np.float32), "past": np.zeros(PIXELS, np.float32)}
    arrays |= {name: tables()[name] for name in ("decode", "decode_step")}
    made = run_loop(loops.relight_ratio, arrays, {"reach": 100.0, "same_code": 6e-8, "count": PIXELS}, plane)
    ratio = srgb_decode(0.7) / (np.array(LUMINANCE_WEIGHTS) @ rgb)
    expected = {"past": np.zeros(PIXELS), **dict(zip(("red", "green", "blue"), rgb * ratio, strict=True))}
    assert np.allclose(made[1:], expected[plane][1:], rtol=1e-5)
    # White is out of gamut for a colour: it is left as it was, and marked.
    assert made[0] == (1.0 if plane == "past" else pytest.approx(arrays[plane][0]))
