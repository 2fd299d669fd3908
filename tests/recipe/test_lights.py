"""Masters become fractions of full scale."""

from __future__ import annotations

import numpy as np

from blend.base.master import Facts, Master
from blend.recipe.lights import guess_words, in_fractions, shared_divisor


def counts(top: float, *, full_scale: float | None) -> Master:
    """Return a master in adu whose brightest pixel is ``top``."""
    facts = Facts(full_scale=full_scale, unit="adu", noise={"": {1: 10.0}}, saturation={"": top})
    return Master.from_array([[0.0, top]], planes=("ha",), facts=facts)


def test_a_full_scale_that_is_stated_divides() -> None:
    done = in_fractions(counts(3000.0, full_scale=4000.0), 1.0)
    assert done.pixels[0, 0, 1] == 0.75 and done.facts.unit == ""
    assert done.facts.noise["ha"][1] == 10 / 4000 and done.facts.saturation["ha"] == 0.75


def test_one_guess_serves_the_whole_target() -> None:
    lights = [counts(3000.0, full_scale=None), counts(500.0, full_scale=None)]
    divisor, assumed = shared_divisor(lights)
    assert (divisor, assumed) == (3000.0, True)
    assert [float(in_fractions(light, divisor).pixels.max()) for light in lights] == [
        1.0,
        np.float32(500 / 3000),
    ]
    assert guess_words("ha", lights, divisor)[0][0] == "assumed-full-scale"
    assert not guess_words("ha", [counts(1.0, full_scale=4095.0)], divisor)


def test_a_light_that_states_its_own_is_taken_for_the_others() -> None:
    assert shared_divisor([counts(3000.0, full_scale=None), counts(100.0, full_scale=4095.0)]) == (
        4095.0,
        True,
    )
    assert shared_divisor([counts(1.2, full_scale=None)]) == (1.0, False)
