"""Linearity: a power law is measured as planted, and what is linear is left alone whatever else is odd about it."""

import os
from pathlib import Path

import numpy as np
import pytest

from blend.science.plane import border_mask
from blend.science.sensor.linearity import NOISE_ALONE, STOP_SIGMA, black_gap, judge_linearity
from blend.science.sensor.quality import judge
from blend.science.sensor.star_curve import StarCurve, join_curves
from blend.science.simulated.night import SceneOptions, simulate_night


def field(seed, *, sky=0.08, stars=250, fwhm=2.8, shape=(400, 600), noise=0.0006, peaks=0.6, bend=0.0):
    """Stars of one sampled profile over a sky, linear, full scale 1."""
    rng = np.random.default_rng(seed)
    light = np.full(shape, sky)
    core = (fwhm / 2.0) ** 2 / (2.0 ** (1.0 / 3.0) - 1.0)
    for x, y, u in zip(
        rng.uniform(0, shape[1], stars), rng.uniform(0, shape[0], stars), rng.uniform(size=stars), strict=True
    ):
        box = (slice(max(0, int(y) - 25), int(y) + 26), slice(max(0, int(x) - 25), int(x) + 26))
        j, i = np.mgrid[box]
        outward = ((2 * x / shape[1] - 1) ** 2 + (2 * y / shape[0] - 1) ** 2) / 2
        wide = core * (1.0 + bend * outward) ** 2
        light[box] += (0.01 * (peaks / 0.01) ** u * (1 + ((i - x) ** 2 + (j - y) ** 2) / wide) ** -3.0)[
            : light[box].shape[0], : light[box].shape[1]
        ]
    light += noise * rng.standard_normal(shape)
    return np.clip(light, 0.0, 1.0)


def in_sixteen_bits(values):
    return (np.rint(65535.0 * values) / 65535.0).astype(np.float32)


@pytest.mark.parametrize("power", [0.35, 1 / 2.2, 0.6, 0.75, 1.0])
def test_the_power_of_a_picture_is_measured_as_planted(power):
    told = judge_linearity(in_sixteen_bits(field(1) ** power))
    # four errors: what is told of the error must hold, and it must be small enough to tell powers apart
    assert abs(told.power - power) < 4.0 * told.power_error
    assert told.power_error < 0.06
    assert told.stars >= 50
    assert told.outcome == ("linear" if power == 1.0 else "stretched")


def test_a_sky_at_zero_tells_by_the_gap_above_black():
    """At zero a power law scales every star alike; its noise gives it away."""
    dark = np.clip(field(2, sky=0.0), 0.0, 1.0)
    told = judge_linearity(in_sixteen_bits(dark ** (1 / 2.2)))
    # a power g leaves 1 / (2^(1/g) - 1) of the pixels: 0.28; half of a step of 16 bits blurs it a little
    assert told.gap == pytest.approx(1.0 / (2.0**2.2 - 1.0), abs=0.06)
    assert told.outcome == "stretched"
    straight = judge_linearity(in_sixteen_bits(dark))
    assert straight.gap > 0.67
    assert straight.outcome == "cannot tell"  # the stars alone must not call it linear


def test_a_tilted_sky_cut_off_at_black_tells_by_the_belt_between():
    """Half the frame is black in one piece; where black and grey mix, the gap shows."""
    tilt = np.linspace(-0.012, 0.012, 600)[None, :]
    sky = np.random.default_rng(31).normal(0.0, 0.001, (400, 600)) + tilt
    dark = np.clip(sky, 0.0, 1.0)
    assert not border_mask(dark.astype(np.float32)).any()
    assert black_gap(in_sixteen_bits(dark ** (1 / 2.2)), invalid=None)[1] > 0.9
    assert black_gap(in_sixteen_bits(dark), invalid=None)[1] == 0.0


def test_zeros_in_one_piece_are_no_gap():
    sky = np.random.default_rng(3).normal(0.004, 0.001, (200, 300)).astype(np.float32)
    sky[:, :60] = 0.0
    assert black_gap(sky, invalid=None)[1] == 0.0


@pytest.mark.filterwarnings("error")
def test_stars_on_a_sky_of_one_step_of_eight_bits_cannot_tell():
    # no ring of the sky has a noise: no star is of use
    steps = (np.rint(255.0 * field(2) ** (1 / 2.2)) / 255.0).astype(np.float32)
    assert judge_linearity(steps).outcome == "cannot tell"


def test_few_stars_cannot_tell():
    told = judge_linearity(in_sixteen_bits(field(4, stars=12) ** 0.6))
    assert told.outcome == "cannot tell"
    assert judge(in_sixteen_bits(field(4, stars=12))[None], ["ha"]).findings == ()


@pytest.mark.parametrize("odd", ["overlap", "flat", "sharper"])
def test_what_is_odd_but_linear_is_not_accused(odd):
    light = field(5)
    x = np.linspace(-1.0, 1.0, light.shape[1])
    if odd == "overlap":
        light += (
            0.001
            * np.where(np.abs(x) < 0.5, 0.3, 1.0)
            * np.random.default_rng(5).standard_normal(light.shape)
        )
    elif odd == "flat":
        light *= 1.0 - 0.4 * x**2
    else:
        light = 0.7 * field(5, fwhm=2.4) + 0.3 * field(5, fwhm=4.0)
    told = judge_linearity(in_sixteen_bits(np.clip(light, 0.0, 1.0)))
    assert told.outcome in ("linear", "cannot tell")


def test_planes_tell_together_what_one_cannot():
    plane = StarCurve(power=0.6, error=0.1, against=5.0, stars=40)
    assert 0.4 / join_curves([plane]).error < STOP_SIGMA
    assert 0.4 / join_curves([plane] * 3).error == pytest.approx(15.0**0.5)


def test_one_star_decides_nothing():
    linear = StarCurve(power=0.5, error=0.01, against=0.4, stars=60)
    assert join_curves([linear]).error == pytest.approx(0.5)
    others = StarCurve(power=0.5, error=0.01, against=16.0, stars=60)
    assert join_curves([linear, others]).error == pytest.approx(0.5 / 16.4**0.5)
    # a plane on the other side of 1 speaks against it, and planes that disagree widen the error
    assert join_curves([others, StarCurve(power=1.4, error=0.01, against=16.0, stars=60)]).error > 0.3


@pytest.mark.parametrize("seed", range(4))
def test_noise_alone_stops_nothing(seed):
    """More frames overlap where a nebula is: its noise falls to 0.36 of the sky's, in a linear picture."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[:400, :600]
    nebula = np.exp(-0.5 * (((x - 300) / 90) ** 2 + ((y - 200) / 70) ** 2))
    light = 0.08 + 0.05 * nebula + 0.001 * (1.0 - 0.64 * nebula**0.3) * rng.standard_normal(x.shape)
    told = judge_linearity(in_sixteen_bits(light))
    assert told.noise_ratio < 0.6
    assert told.outcome == "cannot tell"
    assert told.confidence <= NOISE_ALONE
    assert judge(in_sixteen_bits(light)[None], ["ha"]).linear


@pytest.mark.parametrize("odd", ["small", "bent"])
def test_a_width_that_varies_is_no_curve(odd):
    # the width grows by a quarter towards the corners, or stars are hardly sampled
    told = judge_linearity(in_sixteen_bits(field(9, fwhm=1.7 if odd == "small" else 2.8, bend=0.25)))
    assert told.power == pytest.approx(1.0, abs=0.1)
    assert told.outcome in ("linear", "cannot tell")


def region_field(seed):
    """The same stars, fewer, and a galaxy whose regions of gas are wider the brighter they are, and more than they."""
    rng = np.random.default_rng(seed)
    light = field(seed, stars=70, shape=(600, 800), peaks=0.6)
    y, x = np.mgrid[:600, :800]
    light += 0.03 * np.exp(-np.hypot(x - 400, (y - 300) / 0.7) / 70)
    for _ in range(90):
        away, turn = 70 * rng.gamma(2.5, 0.8), rng.uniform(0, 2 * np.pi)
        peak = 0.02 * min(rng.pareto(1.0) + 1.0, 25.0)
        wide = 2.8 * np.hypot(1.0, rng.uniform(0.5, 1.0) * (peak / 0.05) ** 0.4)
        core = (wide / 2.0) ** 2 / (2.0 ** (1.0 / 3.0) - 1.0)
        far = (x - 400 - away * np.cos(turn)) ** 2 + (y - 300 - 0.7 * away * np.sin(turn)) ** 2
        light += peak * (1 + far / core) ** -3.0
    return np.clip(light, 0.0, 1.0)


@pytest.mark.parametrize("seed", [1, 3, 4])
def test_regions_that_are_wider_the_brighter_they_are_are_no_curve_and_hide_none(seed):
    light = region_field(seed)
    assert judge_linearity(in_sixteen_bits(light)).outcome == "linear"
    told = judge_linearity(in_sixteen_bits(light**0.5))
    assert told.outcome == "stretched" and told.power == pytest.approx(0.5, abs=0.15)


@pytest.mark.parametrize("seed", [101, 111, 114])
def test_a_nucleus_among_few_stars_is_no_curve(seed):
    # a Sersic profile of index 4, its cusp blurred, brighter than nearly all of some twenty stars
    night = simulate_night(
        SceneOptions(seed=seed, kind="cluster", ha_grid="same", rows=400, columns=600, calibrated=True)
    )
    middle = np.random.default_rng(seed).uniform((230.0, 150.0), (370.0, 250.0))
    y, x = np.mgrid[:400, :600]
    radius = np.hypot(x - middle[0], (y - middle[1]) / 0.7)
    galaxy = 0.02 * np.exp(-7.67 * (np.sqrt(np.sqrt(radius**2 + 9.0) / np.sqrt(40.0)) - 1.0))
    verdict = judge(in_sixteen_bits(np.clip(night.rgb.light + galaxy, 0.0, 1.0)), ["red", "green", "blue"])
    assert verdict.linear


def real_frames():
    given = os.environ.get("BLEND_REAL_FRAMES")
    folder = Path(given) if given else Path(__file__).parents[3].parent / "shared" / "data"
    return sorted([*folder.glob("sdss/*.fits"), *folder.glob("night/*.fits"), *folder.glob("ou5-*.fits")])


@pytest.mark.real
@pytest.mark.skipif(not real_frames(), reason="no real frames here: set BLEND_REAL_FRAMES")
@pytest.mark.parametrize("path", real_frames(), ids=lambda path: path.stem)
def test_real_frames_are_not_accused(path):
    from astropy.io import fits

    told = judge_linearity(np.ascontiguousarray(fits.getdata(path), dtype=np.float32))
    assert told.outcome in ("linear", "cannot tell")
