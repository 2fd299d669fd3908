"""Units, order and white of three planes, by planted factors and planted colours."""

import numpy as np
import pytest

from blend.science.planecheck import disagreement, line_order, odd_units, out_of_order, possible

SKY = np.array([0.105, 0.150, 0.180])
NOISE = np.array([3.3e-4, 3.9e-4, 4.3e-4])


@pytest.mark.parametrize("factors", [(1, 0.01, 30), (1, 1, 0.02), (65535 / 4095, 1, 1), (1, 0.05, 1)])
def test_units_come_back(factors):
    found = odd_units(SKY * factors, NOISE * factors)
    assert found is not None
    undone = found * factors
    # what is left is the planes' own noise, a third apart
    np.testing.assert_allclose(undone / undone[1], 1.0, rtol=0.4)


def test_more_light_is_no_unit():
    """A hundred times the sky is ten times the noise."""
    for light in ((1, 100, 1), (1, 1, 0.01), (4, 1, 0.25), (1, 6, 6)):
        assert odd_units(SKY * light, NOISE * np.sqrt(light)) is None
    assert odd_units(np.zeros(3), NOISE) is None


def field(scatter, *, stars, seed=0, noise=0.02):
    """Return fluxes of stars of many colours in red, green and blue, and of a line within red."""
    rng = np.random.default_rng(seed)
    colour = rng.normal(0.0, 0.4, stars)
    bright = 10 ** rng.uniform(2, 4, stars)
    planes = bright * np.exp(np.outer([0.4, 0.0, -0.6], colour))
    line = 0.2 * planes[0] * np.exp(rng.normal(0, scatter, stars))
    flux = np.concatenate([line[None], planes])
    error = noise * flux
    flux = flux + rng.normal(size=flux.shape) * error
    return (flux[0], error[0]), (flux[1:], error[1:])


@pytest.mark.parametrize("seed", range(20))
def test_a_right_order_is_never_doubted(seed):
    for stars in (8, 15, 60):
        line, planes = field(0.05, stars=stars, seed=seed)
        order = line_order(line, planes, holds=0)
        assert order is not None and not out_of_order(order, holds=0)


@pytest.mark.parametrize("seed", range(20))
def test_grey_stars_tell_no_order(seed):
    rng = np.random.default_rng(seed)
    flux = 10 ** rng.uniform(2, 4, 30) * np.exp(rng.normal(0, 0.05, (4, 30)))
    order = line_order((flux[0], 0.01 * flux[0]), (flux[1:], 0.01 * flux[1:]), holds=0)
    assert order is not None and not out_of_order(order, holds=0)


@pytest.mark.parametrize("seed", range(5))
def test_blue_first_is_found(seed):
    line, (flux, error) = field(0.03, stars=20, seed=seed)
    order = line_order(line, (flux[::-1], error[::-1]), holds=0)
    assert order is not None and order.closest == 2 and out_of_order(order, holds=0)
    # H II regions among the stars, brighter in the line by far
    line[0][:4] *= 8.0
    order = line_order(line, (flux[::-1], error[::-1]), holds=0)
    assert order is not None and out_of_order(order, holds=0)


def test_few_or_faint_stars_tell_nothing():
    line, planes = field(0.03, stars=7)
    assert line_order(line, planes, holds=0) is None
    line, (flux, error) = field(0.03, stars=30)
    assert line_order(line, (flux, 10 * error), holds=0) is None


def test_gains_of_usual_cameras_are_possible():
    """Daylight multipliers of colour cameras: 0.5 to 3 (common practice)."""
    assert possible(0.5) and possible(3.0) and possible(1.25)
    assert not possible(1.25 / 9.0) and not possible(2.5 / 9.0) and not possible(9.0)


def test_a_sky_contradicts_a_ninth_but_no_error_that_is_large():
    assert disagreement(1.25 / 9.0, 0.01, 1.4) > 3.0
    assert disagreement(2.5 / 9.0, 0.03, 2.8) > 3.0
    assert disagreement(0.14, 0.14, 1.4) < 3.0
    # a sky twice as red as the stars, of a plane six times as strong
    assert disagreement(1.25 / 6.0, 0.01, 0.5 * 1.25 / 6.0) < 3.0
