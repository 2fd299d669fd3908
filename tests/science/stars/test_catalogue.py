"""Stars of a picture and of a catalogue: planted pairs come back, chance does not pass for them."""

import numpy as np
import pytest
from astropy.wcs import WCS

from blend.base.errors import StepError
from blend.science.plane.flux_ratio import line_log_ratio
from blend.science.stars.catalogue import match_catalogue, sky_to_pixels

SHAPE = (800, 1000)


def strewn(count: int, seed: int) -> np.ndarray:
    return np.random.default_rng(seed).uniform(0, [SHAPE[1], SHAPE[0]], (count, 2))


def test_planted_pairs_come_back_through_a_shift():
    stars = strewn(200, 1)
    rng = np.random.default_rng(2)
    known = stars[50:120] + np.array([7.0, -11.0]) + rng.normal(0, 0.3, (70, 2))
    expected = np.vstack([known, strewn(40, 3), [[np.nan, np.nan], [-500.0, 3.0]]])
    found = match_catalogue(expected, stars, SHAPE, where="x")
    true = found.entry < 70
    assert np.count_nonzero(true) >= 64 and np.count_nonzero(~true) <= 3
    np.testing.assert_array_equal(found.star[true], found.entry[true] + 50)
    assert found.shift_px == pytest.approx((-7.0, 11.0), abs=0.1)
    assert len(set(found.star)) == len(found.star) and found.rms_px < 0.8


def test_a_bright_star_s_entry_does_not_go_to_its_neighbour():
    stars = strewn(60, 4)
    close = np.vstack([stars, stars[:30] + np.array([2.0, 0.0])])
    found = match_catalogue(stars, close, SHAPE, where="x")
    np.testing.assert_array_equal(found.star, found.entry)


@pytest.mark.parametrize("count", [12, 200, 2000])
def test_strewn_lists_are_refused(count):
    for seed in range(3):
        with pytest.raises(StepError, match="chance alone would give"):
            match_catalogue(strewn(count, 10 + seed), strewn(count, 20 + seed), SHAPE, where="x")


def test_no_stars_at_all_is_told():
    with pytest.raises(StepError, match="0 of 20 catalogue stars"):
        match_catalogue(strewn(20, 1), np.empty((0, 2)), SHAPE, where="x")


@pytest.mark.parametrize("frame", ["icrs", "fk5-1975", "galactic"])
def test_positions_against_astropy(frame):
    wcs = WCS(naxis=2)
    galactic = frame == "galactic"
    wcs.wcs.ctype = ["GLON-TAN", "GLAT-TAN"] if galactic else ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval, wcs.wcs.crpix, wcs.wcs.cdelt = [0.05, 60.0], [500.0, 400.0], [-5e-4, 5e-4]
    if frame == "fk5-1975":
        wcs.wcs.radesys, wcs.wcs.equinox = "FK5", 1975.0
    xy = np.vstack([strewn(20, 5), [[30000.0, 100.0]]])
    sky = wcs.pixel_to_world(*xy.T).icrs
    found = sky_to_pixels(sky.ra.deg, sky.dec.deg, wcs, SHAPE)
    np.testing.assert_allclose(found[:-1], xy[:-1], atol=1e-4)
    assert np.isnan(found[-1]).all()
    assert np.isnan(sky_to_pixels(np.array([180.0]), np.array([-60.0]), wcs, SHAPE)).all()


def test_a_line_through_ratios_comes_back_with_an_honest_error():
    off = []
    for seed in range(200):
        rng = np.random.default_rng(seed)
        x, size = rng.uniform(-0.5, 0.5, 60), 10 ** rng.uniform(2, 4, 60)
        error = np.full(60, 5.0)
        top = size * np.exp(0.3 + 0.4 * x + rng.normal(0, 0.05, 60)) + rng.normal(0, 5, 60)
        low = size + rng.normal(0, 5, 60)
        top[:5] *= 1.8  # pairs that do not belong together
        fit = line_log_ratio(top, low, x, errors=(error, error))
        assert fit.slope == pytest.approx(0.4, abs=0.2) and not fit.used[:5].any()
        off.append((fit.value - 0.3) / fit.error)
    assert abs(np.mean(off)) < 0.25 and 0.8 < np.std(off) < 1.3
