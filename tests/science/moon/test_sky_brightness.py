"""Laws of the moonlight model; its published numbers are in tests/outside."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.testing import assert_allclose

from blend.science.moon.sky_brightness import (
    brightening,
    dark_sky,
    dark_sky_zenith_slope,
    magnitudes,
    mie,
    moon_illuminance,
    moonlight,
    moonlight_zenith_slope,
    nanolamberts,
    rayleigh,
    scattering,
    scattering_airmass,
    scattering_slope,
)


def light(**changes: object) -> float:
    """Return the moonlight of an ordinary night, with some of it changed."""
    usual = {
        "separation_deg": 50.0,
        "phase_angle_deg": 30.0,
        "target_zenith_deg": 35.0,
        "moon_zenith_deg": 45.0,
        "extinction": 0.25,
    }
    return float(moonlight(**{**usual, **changes}))  # type: ignore[arg-type]


def test_magnitudes_undo_nanolamberts() -> None:
    mags = np.linspace(15.0, 23.0, 17)
    assert_allclose(magnitudes(nanolamberts(mags)), mags, rtol=1e-14)


def test_five_magnitudes_are_nearly_a_hundredfold() -> None:
    # The paper rounds 0.4 ln 10 = 0.921034 to 0.92104.
    assert float(nanolamberts(17.0) / nanolamberts(22.0)) == pytest.approx(100.0, rel=4e-5)


def test_the_zenith_is_the_zenith() -> None:
    assert float(dark_sky(0.0, zenith_mag=21.0, extinction=0.3)) == float(nanolamberts(21.0))
    assert float(scattering_airmass(0.0)) == 1.0


@pytest.mark.parametrize(
    "darker",
    [
        {"phase_angle_deg": 60.0},
        {"phase_angle_deg": -60.0},
        {"separation_deg": 80.0},
        {"moon_zenith_deg": 70.0},
        {"target_zenith_deg": 10.0},
    ],
)
def test_moonlight_fades_with_phase_distance_and_height(darker: dict[str, float]) -> None:
    assert light(**darker) < light()


def test_waxing_and_waning_moons_are_alike() -> None:
    assert light(phase_angle_deg=-47.0) == light(phase_angle_deg=47.0)


def test_clear_air_scatters_nothing() -> None:
    assert light(extinction=0.0) == 0.0
    # To first order in k the light is proportional to it.
    assert light(extinction=2e-6) / light(extinction=1e-6) == pytest.approx(2.0, rel=1e-5)


def test_a_moon_below_the_horizon_gives_no_light() -> None:
    assert light(moon_zenith_deg=90.0) > 0.0
    assert light(moon_zenith_deg=90.001) == 0.0


def test_a_target_below_the_horizon_has_no_sky() -> None:
    assert np.isnan(light(target_zenith_deg=90.001))
    assert np.isnan(light(target_zenith_deg=100.0, moon_zenith_deg=100.0))


def test_brightening_is_zero_without_light_and_negative_with() -> None:
    assert_allclose(brightening([0.0, 100.0, 900.0], 100.0), [0.0, -2.5 * np.log10(2.0), -2.5], atol=1e-15)


def test_the_rayleigh_part_alone_knows_colour() -> None:
    assert float(rayleigh(40.0, wavelength_nm=550.0)) == float(rayleigh(40.0))
    assert float(rayleigh(40.0, wavelength_nm=275.0)) == pytest.approx(
        16.0 * float(rayleigh(40.0)), rel=1e-14
    )
    assert_allclose(
        scattering(40.0, wavelength_nm=656.0) - rayleigh(40.0, wavelength_nm=656.0), mie(40.0), rtol=1e-12
    )


def test_the_rayleigh_part_lives_on_at_a_right_angle() -> None:
    # 1.06 + cos^2, not 1.06 cos^2.
    assert float(rayleigh(90.0)) == pytest.approx(1.06 * 10**5.36, rel=1e-14)


def test_nothing_grows_without_end_at_the_moon() -> None:
    assert np.isfinite(scattering([0.0, 1e-9])).all()
    assert np.isfinite(scattering_slope([0.0, 1e-9])).all()


@pytest.mark.parametrize("wavelength", [450.0, 550.0, 656.28])
def test_scattering_slope_is_the_derivative(wavelength: float) -> None:
    angles = np.array([3.0, 9.0, 10.5, 20.0, 55.0, 92.8, 130.0, 170.0])
    step = 1e-4
    up, down = (np.log(scattering(angles + s, wavelength_nm=wavelength)) for s in (step, -step))
    # Central differences of a smooth function: error of the order step^2 plus rounding 1e-16 / step.
    found = scattering_slope(angles, wavelength_nm=wavelength)
    assert_allclose(found, (up - down) / (2 * step), rtol=1e-7, atol=1e-11)


def test_zenith_slopes_are_derivatives() -> None:
    angles = np.array([1.0, 20.0, 45.0, 70.0, 85.0])
    step, k = 1e-4, 0.3

    def difference(of: object) -> np.ndarray:
        return (np.log(of(angles + step)) - np.log(of(angles - step))) / (2 * step)  # type: ignore[operator]

    assert_allclose(
        moonlight_zenith_slope(angles, extinction=k),
        difference(lambda z: 1.0 - 10 ** (-0.4 * k * scattering_airmass(z))),
        rtol=1e-6,
    )
    assert_allclose(
        dark_sky_zenith_slope(angles, extinction=k),
        difference(lambda z: dark_sky(z, zenith_mag=21.0, extinction=k)),
        rtol=1e-6,
    )


def test_arrays_broadcast_and_stay_as_they_are() -> None:
    separation = np.linspace(15.0, 120.0, 8)
    phase = np.array([[0.0], [45.0], [90.0]])
    for array in (separation, phase):
        array.flags.writeable = False
    found = moonlight(
        separation, phase_angle_deg=phase, target_zenith_deg=30.0, moon_zenith_deg=40.0, extinction=0.2
    )
    assert found.shape == (3, 8)
    assert_allclose(found[1] / found[0], float(moon_illuminance(45.0) / moon_illuminance(0.0)), rtol=1e-12)
