"""The scale of a target's own disc: planted discs, gas on them, and what is no disc."""

import numpy as np
import pytest

from blend.science.line.own_disc import DIFFUSE_NM, disc_ratio, gas_scale

SCALE, WIDTH = 0.2, 7.0


def disc(*, gas=0.0, peak=0.05, seed=0):
    """Cells of an exponential disc; ``gas`` is the line light of its arms by its continuum's, through the filter."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:60, :80]
    r, phi = np.hypot(x - 40, y - 30), np.arctan2(y - 30, x - 40)
    broad = peak * np.exp(-r / 8.0)
    arms = gas * np.exp(4.0 * (np.cos(2 * phi - r / 3.0) - 1.0)) * (r > 4)
    line = SCALE * broad * (1.0 + arms + DIFFUSE_NM / WIDTH)
    noise = (2e-5, 1e-4)
    planes = (
        plane + 0.05 * sigma * rng.normal(size=r.shape)
        for plane, sigma in zip((line, broad), noise, strict=True)
    )
    return *(plane.astype(np.float32) for plane in planes), noise


@pytest.mark.parametrize("gas", [0.0, 0.3, 1.0])
def test_a_planted_disc_is_told_within_its_error(gas):
    line, broad, noise = disc(gas=gas)
    found = disc_ratio(line, broad, noise=noise, sky_errors=(1e-6, 5e-6), width_nm=WIDTH)
    assert found is not None
    assert abs(found.value / SCALE - 1.0) < 0.05
    assert 0.05 < found.error / found.value < 0.2


def test_an_unsure_sky_leaves_no_disc():
    line, broad, noise = disc()
    assert disc_ratio(line, broad, noise=noise, sky_errors=(5e-3, 5e-6), width_nm=WIDTH) is None


def test_no_light_is_no_disc():
    empty = np.zeros((40, 40), dtype=np.float32)
    assert disc_ratio(empty, empty, noise=(1e-4, 1e-4), sky_errors=(0.0, 0.0), width_nm=WIDTH) is None


PURE, STAR_COLOUR = np.log(100.0 / WIDTH), 0.5


def nebula(*, beside, seed=0):
    """Cells of a nebula over a quarter of the frame whose broad light is the line's, on skies that are not 0."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:60, :80]
    gas = 0.02 * np.exp(-((x - 40.0) ** 2 + (y - 30.0) ** 2) / 200.0)
    planes = (SCALE * np.exp(PURE) * gas + 3e-4, gas - 2e-4, beside * gas + 1e-4)
    return [(plane + 1e-5 * rng.normal(size=plane.shape)).astype(np.float32) for plane in planes]


@pytest.mark.parametrize("beside", [0.0, 0.4])
def test_a_nebula_tells_the_scale_within_its_error(beside):
    found = gas_scale(*nebula(beside=beside), star_colour=STAR_COLOUR, pure=PURE)
    assert found is not None and found.of == "nebula"
    assert abs(np.log(found.value / SCALE)) < found.error / found.value < 0.35


@pytest.mark.parametrize("beside", [1.5, 2.0])
def test_light_of_the_colour_of_stars_is_no_nebula(beside):
    assert gas_scale(*nebula(beside=beside), star_colour=STAR_COLOUR, pure=PURE) is None


def test_noise_and_unknown_colours_are_no_nebula():
    rng = np.random.default_rng(1)
    noise = [rng.normal(size=(60, 80)).astype(np.float32) for _ in range(3)]
    assert gas_scale(*noise, star_colour=STAR_COLOUR, pure=PURE) is None
    assert gas_scale(*nebula(beside=0.0), star_colour=float("nan"), pure=PURE) is None
