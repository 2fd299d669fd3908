"""Nebulae without stars are brought together by their edges, and refused where no one shift does."""

import numpy as np
import pytest
from scipy.ndimage import gaussian_filter, shift

from blend.base.errors import StepError
from blend.science.grid.structure import align_by_structure


def nebula(rng, shape=(300, 400)):
    light = sum(gaussian_filter(rng.normal(size=shape), s) * s * w for s, w in ((4, 0.3), (10, 1), (20, 1.5)))
    light = np.exp(light / light.std())
    return light / light.std()


def two_views(seed, noise=0.1, other=False):
    """A nebula, and it or another one moved, in other light, over another sky."""
    rng = np.random.default_rng(seed)
    first = nebula(rng)
    second = nebula(rng) if other else first
    dx, dy = rng.uniform(-20, 20, 2)
    inner = np.s_[30:270, 30:370]
    slope = np.linspace(0, 2, 340)
    moving = shift(second, (-dy, -dx), order=3)[inner] ** 0.8 + rng.normal(0, noise, (240, 340)) + slope
    return moving, first[inner] + rng.normal(0, noise, (240, 340)) - slope, (dx, dy)


def test_a_nebula_without_stars_is_registered():
    for seed in range(6):
        moving, reference, place = two_views(seed)
        found = align_by_structure(moving, reference)
        off = np.hypot(*(found.matrix[:2, 2] - place))
        # its edges are 10 px wide, and two views differ in noise and light
        assert off < 0.5 and off < found.error_px[0] * 1.5
        assert (found.transform, found.by, found.matched) == ("shift", "structure", 0)


def test_a_part_without_data_does_not_count():
    moving, reference, place = two_views(3)
    moving[:30] = np.nan
    found = align_by_structure(moving, reference)
    np.testing.assert_allclose(found.matrix[:2, 2], place, atol=0.7)


@pytest.mark.parametrize("what", ["other nebulae", "noise", "waves", "nothing"])
def test_no_one_shift_is_refused(what):
    for seed in range(3):
        rng = np.random.default_rng(seed)
        if what == "other nebulae":
            pair = two_views(seed, other=True)[:2]
        elif what == "noise":
            pair = rng.normal(size=(2, 240, 340))
        elif what == "waves":
            y, x = np.mgrid[:240, :340]
            pair = np.stack([np.sin(x / 6 + a) * np.sin(y / 6 + a) for a in (0.0, 0.7)])
        else:
            pair = np.full((2, 240, 340), np.nan)
        with pytest.raises(StepError, match="no one shift"):
            align_by_structure(*pair)
