"""White balance: planted gains come back, faults are named."""

import numpy as np
import pytest

from blend.base.errors import StepError
from blend.science.picture.balance import given_gains, white_from_stars
from blend.science.plane.flux_ratio import mean_log_ratio, weighted_median


def field(colour, *, stars=120, scatter=0.1, error=0.02, seed=0, odd=8):
    rng = np.random.default_rng(seed)
    flux = 10 ** rng.uniform(2, 4, stars) * np.asarray(colour)[:, None]
    flux *= np.exp(rng.normal(0, scatter, flux.shape))
    flux[0, :odd] *= 4.0
    errors = error * flux
    return flux + rng.normal(0, 1, flux.shape) * errors, errors


def test_gains_undo_the_planted_colour():
    gains = white_from_stars(*field((0.8, 1.0, 0.5)))
    # 120 stars scattered by 0.1 in each of two planes: 0.1 sqrt(2 / 120) = 0.013, allowed three times
    np.testing.assert_allclose(gains.values, [1.25, 1.0, 2.0], rtol=0.04)
    assert gains.values[1] == 1.0 and gains.errors[1] == 0.0
    np.testing.assert_allclose(gains.errors[[0, 2]] / gains.values[[0, 2]], 0.013, rtol=0.35)
    assert gains.how == "stars" and 100 <= gains.stars <= 116


def test_stars_get_the_colour_asked_for():
    white = white_from_stars(*field((0.8, 1.0, 0.5)))
    warm = white_from_stars(*field((0.8, 1.0, 0.5)), star_colour=(1.14, 1.0, 0.937))
    np.testing.assert_allclose(warm.values / white.values, [1.14, 1.0, 0.937])


@pytest.mark.parametrize("seed", range(3))
def test_noise_does_not_choose_the_stars(seed):
    """Most stars are faint in blue: chosen by their measured blue they would be those that noise made blue."""
    rng = np.random.default_rng(seed)
    green = 10 ** rng.uniform(1.5, 2.6, 6000)
    true = (
        green
        * np.exp(rng.normal(0, [[0.1], [0.0], [0.1]], (3, green.size)))
        * np.array([[0.8], [1.0], [0.5]])
    )
    errors = np.ones_like(true) * np.array([[2.0], [2.0], [10.0]])
    flux = true + rng.normal(0, 1, true.shape) * errors
    # Some 2300 stars of 8 sigma and more tell 0.3 %; green alone, well measured, chooses.
    np.testing.assert_allclose(white_from_stars(flux, errors).values, [1.25, 1.0, 2.0], rtol=0.015)
    good = (flux > 5 * errors).all(axis=0)
    by_blue = mean_log_ratio(flux[1, good], flux[2, good], errors=(errors[1, good], errors[2, good]))
    assert np.exp(by_blue.value) < 1.97


def test_unmeasured_and_faint_stars_do_not_count():
    flux, errors = field((0.8, 1.0, 0.5))
    expected = white_from_stars(flux, errors)
    flux = np.hstack([flux, [[np.nan, -5.0, 10.0]] * 3])
    errors = np.hstack([errors, [[1.0, 1.0, 9.0]] * 3])
    np.testing.assert_array_equal(white_from_stars(flux, errors).values, expected.values)


def test_fewer_than_three_stars_is_a_fault():
    flux, errors = field((1, 1, 1), stars=2, odd=0)
    with pytest.raises(StepError) as fault:
        white_from_stars(flux, errors)
    assert str(fault.value) == (
        "balance.white: 2 of 2 stars are at five sigma in red, green and blue; expected at least 3. "
        'Do this: give the gains as three numbers, or "none".'
    )


def test_given_gains_are_divided_by_green():
    np.testing.assert_array_equal(given_gains([3.0, 2.0, 1.0]).values, [1.5, 1.0, 0.5])
    for wrong in ([1.0, 1.0], [1.0, 0.0, 1.0], [1.0, float("nan"), 1.0]):
        with pytest.raises(ValueError, match="three numbers above 0"):
            given_gains(wrong)


def test_equal_stars_give_their_ratio_and_the_error_of_their_fluxes():
    ones = np.ones(25)
    fit = mean_log_ratio(2.0 * ones, ones, errors=(0.02 * ones, 0.01 * ones))
    # of the logs of noisy values, (e_a^2 - e_b^2) / 2 is taken off: 0 for equal relative errors
    assert np.exp(fit.value) == pytest.approx(2.0, rel=1e-4)
    assert fit.error == pytest.approx(np.hypot(0.01, 0.01) / 5.0, rel=1e-6)
    assert fit.scatter == 0.0


def test_noisy_ratios_are_not_biased():
    """20 % errors: the mean log alone would be 2 % low; 40 000 stars tell it to 0.15 %."""
    rng = np.random.default_rng(1)
    n = 40000
    a, b = 1.0 + 0.2 * rng.normal(size=n), np.full(n, 1.0)
    keep = a > 0.2
    fit = mean_log_ratio(a[keep], b[keep], errors=(np.full(keep.sum(), 0.2), np.full(keep.sum(), 1e-3)))
    naive = float(np.mean(np.log(a[keep])))
    assert abs(fit.value) < 0.5 * abs(naive)


def test_weighted_median_of_equal_weights_is_the_median():
    values = np.random.default_rng(0).normal(size=31)
    assert weighted_median(values, np.ones(31)) == pytest.approx(np.median(values))
