"""Field stars: what lies on a target, or is wider than stars as bright, is none."""

import numpy as np
import pytest

from blend.science.sensor.field_sources import on_target, single_stars
from blend.science.stars import Stars

SHAPE = (600, 800)


def sources(rng, count):
    return rng.uniform((0.0, 0.0), (800.0, 600.0), (count, 2))


@pytest.mark.parametrize("share", [0.0, 0.3, 0.6])
def test_sources_on_a_galaxy_are_told_from_those_on_a_tilted_sky(share):
    rng = np.random.default_rng(int(10 * share))
    xy, raised = sources(rng, 150), rng.uniform(size=150) < share
    level = 0.05 + 1e-5 * xy[:, 0] - 4e-6 * xy[:, 1] + np.where(raised, rng.uniform(0.002, 0.02, 150), 0.0)
    error = 5e-5  # of a ring: 1.2533 * noise / sqrt(count)
    sky = np.stack([level + rng.normal(0.0, error, 150), *np.tile([[8e-4], [0.0], [400.0]], 150)], axis=1)
    found = on_target(xy, sky, SHAPE)
    assert (found & raised).sum() == raised.sum()
    # the plane starts from the lower fifth: of sources that are all on the sky a few of the upper are lost
    assert (found & ~raised).sum() <= 0.08 * (~raised).sum()


@pytest.mark.filterwarnings("error")
def test_a_sky_of_a_single_step_of_eight_bits_raises_nothing():
    xy = sources(np.random.default_rng(1), 40)
    assert not on_target(xy, np.tile([[0.25, 0.0, 0.0, 400.0]], (40, 1)), SHAPE).any()


@pytest.mark.parametrize("run", [0.0, 0.15])
def test_regions_that_grow_with_their_light_are_left_out_and_stars_under_a_curve_are_kept(run):
    rng = np.random.default_rng(5)
    peak = 10.0 ** rng.uniform(-2.0, -0.3, 160)
    region = np.arange(160) >= 70
    # under a curve stars are the wider the brighter: by ``run`` in ln(width) over a factor of e
    fwhm = 3.0 * (peak / 0.05) ** run * np.exp(rng.normal(0.0, 0.01, 160))
    fwhm[region] *= np.hypot(1.0, rng.uniform(0.6, 1.2, 90) * (peak[region] / 0.05) ** 0.4)
    stars = Stars(
        xy=sources(rng, 160),
        flux=10.0 * peak,
        flux_error=0.05 * peak,
        peak=peak,
        fwhm_px=fwhm,
        elongation=np.full(160, 1.05),
        saturated=np.zeros(160, dtype=bool),
    )
    kept = single_stars(stars, SHAPE, most=200, fewest=10)
    assert np.isin(np.flatnonzero(~region), kept).mean() > 0.95
    assert np.isin(np.flatnonzero(region), kept).mean() < 0.15
