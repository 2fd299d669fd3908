"""Which light is the target's: planted galaxies and stars."""

from __future__ import annotations

import numpy as np
import pytest

from blend.science.picture.target_light import measure_target, shared_noise

SHAPE = (240, 320)


def star_field(stars: int, *, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    """Return light and mask of stars with Moffat wings."""
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    light, mask = np.zeros(SHAPE), np.zeros(SHAPE, dtype=np.float32)
    for _ in range(stars):
        at = rng.uniform((20, 20), (SHAPE[1] - 20, SHAPE[0] - 20))
        r2 = (x - at[0]) ** 2 + (y - at[1]) ** 2
        light += rng.uniform(0.05, 0.5) * (1 + r2 / 6.0) ** -3
        mask[r2 < 36] = 1.0
    return light, mask


@pytest.mark.parametrize("clipped", [False, True])
def test_a_galaxy_s_own_light_is_told_from_the_stars_around_it(clipped):
    rng = np.random.default_rng(2)
    stars, mask = star_field(12, rng=rng)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    galaxy = 0.04 * np.exp(-np.hypot(x - 160, 2 * (y - 120)) / 15)
    objects = (galaxy > 3e-4) | (stars > 3e-4)
    closed = galaxy > 0.035 if clipped else np.zeros(SHAPE, dtype=bool)
    noise = rng.normal(0, 1e-4, (3, *SHAPE))
    planes = ((galaxy + stars)[None] + noise).astype(np.float32)
    found = measure_target(planes, objects=objects, stars=mask, closed=closed, noise=1e-4)
    assert found is not None and not found.stars
    own = galaxy[objects & (mask == 0) & ~closed & (galaxy > 1e-4)]
    assert found.light == pytest.approx(np.percentile(own, 99.9), rel=0.1)
    assert found.box is not None
    x, y, width, height = found.box
    # exp(-r / 15) falls to 2 % at 59 px, half of that across.
    assert abs(x + width / 2 - 160) < 8 and abs(y + height / 2 - 120) < 8
    assert 90 < width < 130 and 40 < height < 70
    assert found.signal_to_noise == pytest.approx(found.light / 1e-4)


def test_where_stars_are_all_there_is_they_count():
    rng = np.random.default_rng(4)
    stars, mask = star_field(40, rng=rng)
    planes = np.repeat(stars[None], 3, axis=0).astype(np.float32)
    found = measure_target(
        planes, objects=stars > 3e-4, stars=mask, closed=np.zeros(SHAPE, dtype=bool), noise=1e-4
    )
    assert found is not None and found.stars
    assert found.light > 0.1


def test_without_an_object_there_is_no_target():
    planes = np.zeros((3, *SHAPE), dtype=np.float32)
    nothing = np.zeros(SHAPE, dtype=bool)
    assert measure_target(planes, objects=nothing, stars=planes[0], closed=nothing, noise=1.0) is None


def test_planes_that_share_their_noise_are_as_noisy_together_as_one():
    rng = np.random.default_rng(6)
    own = rng.normal(0, 1.0, (3, 300, 400)).astype(np.float32)
    same = np.repeat(own[:1], 3, axis=0)
    # Of the luminance, whose weights are less even than the mean's.
    assert shared_noise(own, [1.0, 1.0, 1.0]) == pytest.approx(0.75, rel=0.03)
    assert shared_noise(same, [1.0, 1.0, 1.0]) == pytest.approx(1.0, rel=0.02)
