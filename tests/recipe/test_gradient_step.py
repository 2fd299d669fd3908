"""The gradient step on small masters: models, guides, what it warns of and what it leaves for the report."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest
from astropy.wcs import WCS

from blend.base.errors import StepError
from blend.base.master import Facts, Master, flags_of
from blend.recipe.model import load_recipe
from blend.recipe.state import Work, frozen
from blend.recipe.steps.gradient import subtract_gradients
from blend.recipe.steps.skyfacts import moon_facts
from blend.recipe.target import target_from_options
from blend.science.sky.blocks import chebyshev_terms

VERSION = "version = 1\n"
SHAPE = (160, 220)
SIGMA = 0.001
V, U = np.mgrid[-1 : 1 : SHAPE[0] * 1j, -1 : 1 : SHAPE[1] * 1j]
PLANES = ("red", "green", "blue")


def wcs():
    made = WCS(naxis=2)
    made.wcs.ctype, made.wcs.crval = ["RA---TAN", "DEC--TAN"], [83.8, -5.4]
    made.wcs.crpix, made.wcs.cdelt = [110.5, 80.5], [-2 / 220, 2 / 220]
    return made


KNOWN = {"date_obs": "2024-01-20T20:00:00", "site": (47.0, 11.0, 600.0), "wcs": wcs()}


def master(skies, planes, seed, **facts):
    rng = np.random.default_rng(seed)
    pixels = np.stack([sky + SIGMA * rng.standard_normal(SHAPE) for sky in skies]).astype(np.float32)
    noise = MappingProxyType({plane: MappingProxyType({1: SIGMA}) for plane in planes})
    return Master(pixels=pixels, flags=flags_of(pixels), planes=planes, facts=Facts(noise=noise, **facts))


def work(recipe, rgb, ha):
    return Work(
        recipe=load_recipe(VERSION + recipe, where="r.toml"),
        target=target_from_options(["rgb=a.fits", "ha=b.fits"]),
        masters=frozen({"rgb": rgb, "ha": ha}),
    )


def nebula():
    rng = np.random.default_rng(5)
    waves = sum(np.cos(rng.uniform(3, 9) * U + rng.uniform(3, 9) * V + rng.uniform(0, 6)) for _ in range(6))
    return 6 * SIGMA * np.maximum(waves, 0.0)


def masters(tilt=0.01, **facts):
    light, sky = nebula(), 0.15 + tilt * U
    return (
        master([sky + 0.4 * light, sky, sky], PLANES, 1, **facts),
        master([0.02 + light], ("ha",), 2, **facts),
    )


def codes(done):
    return {code for code, _ in done.warnings}


def test_line_guides_every_plane_and_leaves_small_views():
    rgb, ha = masters()
    done = subtract_gradients(work('[gradient]\nguide = "line"', rgb, ha))
    told = done.recorded["gradient"]["rgb"]
    assert told["red"]["line_factor"] == pytest.approx(0.4, rel=0.03)
    for plane in PLANES:
        assert told[plane]["amplitude"] == pytest.approx(0.02, abs=0.3 * SIGMA)
        assert told[plane]["slope_left_sigma"] < 0.25
    assert done.recorded["gradient"]["ha"]["ha"]["slope_left"] is None
    views = done.sky_views["rgb"]
    assert views["red"].before.shape == SHAPE
    np.testing.assert_allclose(views["red"].after, done.masters["rgb"].plane("red"), atol=1e-5)


def test_moonlight_in_a_given_direction():
    rgb, ha = masters()
    recipe = '[gradient]\nmodel = "moonlight"\nbrightens_towards_deg = 0'
    done = subtract_gradients(work(recipe, rgb, ha))
    told = done.recorded["gradient"]["rgb"]["green"]
    assert told["model"] == "moonlight"
    assert told["amplitude"] == pytest.approx(0.02, abs=0.2 * SIGMA)
    assert abs(float(np.median(done.masters["rgb"].plane("green")))) < 0.1 * SIGMA


def test_moonlight_without_facts_says_what_to_do():
    rgb, ha = masters(date_obs="2024-01-20T20:00:00")
    with pytest.raises(StepError) as caught:
        subtract_gradients(work('[gradient]\nmodel = "moonlight"', rgb, ha))
    assert str(caught.value) == (
        "gradient.rgb: its header states no site and no world coordinates; expected date, site and world "
        'coordinates for model = "moonlight". Do this: state them in [masters.rgb.facts] or the header, or set '
        'gradient.brightens_towards_deg, or choose model = "polynomial" with guide = "line".'
    )


def test_moonlight_below_nought_is_held_and_told():
    rgb, ha = masters()
    for angle, held in ((0, False), (180, True)):
        recipe = f'[gradient]\nmodel = "moonlight"\nbrightens_towards_deg = {angle}'
        done = subtract_gradients(work(recipe, rgb, ha))
        told = done.recorded["gradient"]["rgb"]["green"]
        assert told["strength"]["held_at_0"] is held
        assert told["strength"]["error"] > 0
        texts = [text for code, text in done.warnings if code == "moonlight-held" and "rgb.green" in text]
        assert len(texts) == int(held)
        if held:
            assert told["strength"]["value"] == told["amplitude"] == 0.0
            assert "the sky darkens where moonlight should brighten it" in texts[0]
    assert "strength" not in subtract_gradients(work("", rgb, ha)).recorded["gradient"]["rgb"]["green"]


def moonlit(strength, **facts):
    """Return masters whose green sky is what date, site and coordinates predict, times a strength."""
    _, ha = masters(**KNOWN)
    terms = moon_facts(ha).shape(ha, "green", None)
    assert terms is not None
    sky = 0.2 * (1 + strength * (chebyshev_terms(U.ravel(), V.ravel(), degree=2) @ terms - 1)).reshape(SHAPE)
    return master(3 * [sky], PLANES, 3, **facts), ha


def test_a_predicted_slope_is_agreed_with_and_taken_out():
    rgb, ha = moonlit(1.0, **KNOWN)
    for model in ("polynomial", "moonlight"):
        done = subtract_gradients(work(f'[gradient]\nmodel = "{model}"', rgb, ha))
        moon = done.recorded["gradient"]["rgb"]["green"]["moon"]
        assert moon["agrees"]
        assert moon["fitted_percent"] == pytest.approx(moon["predicted_percent"], rel=0.1)
        assert not [text for code, text in done.warnings if "rgb.green" in text]


def test_a_slope_against_the_moon_is_told_with_causes():
    rgb, ha = moonlit(-1.0, **KNOWN)
    done = subtract_gradients(work("", rgb, ha))
    texts = [text for code, text in done.warnings if code == "slope-unlike-moon" and "rgb.green" in text]
    assert len(texts) == 1
    assert "Likely causes: frames of two orientations summed (meridian flip)" in texts[0]
    # Without facts nothing is compared.
    rgb, ha = masters()
    assert "slope-unlike-moon" not in codes(subtract_gradients(work("", rgb, ha)))


@pytest.mark.parametrize(("rows", "corner"), [("bottom-up", "bottom right"), ("top-down", "top right")])
def test_corner_glow_is_told_and_left_in(rows, corner):
    away = np.hypot((U - 1) * 110, (V + 1) * 80)
    sky = 0.15 + 0.01 * U + 6 * SIGMA * np.exp(-((away / 32) ** 2))
    rgb, (_, ha) = master(3 * [sky], PLANES, 6, **KNOWN, rows=rows), masters(**KNOWN)
    done = subtract_gradients(work("", rgb, ha))
    told = done.recorded["gradient"]["rgb"]["green"]["corner_glow"]
    assert told["corner"] == corner
    assert told["amount"] == pytest.approx(6 * SIGMA, rel=0.25)
    text = dict(done.warnings)["corner-glow"]
    assert (
        text.startswith(f"rgb: one corner is brighter than the sky (red {corner} +") and "amplifier" in text
    )
    # The slope is not the Moon's either: the corner is named first.
    unlike = [text for code, text in done.warnings if code == "slope-unlike-moon" and "rgb.green" in text]
    assert (
        len(unlike) == 1 and "Likely causes: a corner glow of the sensor (one corner stands out)" in unlike[0]
    )
    clean = subtract_gradients(work("", master(3 * [0.15 + 0.01 * U], PLANES, 7), ha))
    assert "corner-glow" not in codes(clean)
    assert "corner_glow" not in clean.recorded["gradient"]["rgb"]["green"]


def starry(light, fault):
    """Return colour and line masters of a field of 250 stars, ``light`` added and the colour master's flat wrong."""
    rng = np.random.default_rng(8)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    stars = np.zeros(SHAPE)
    for column, row in rng.uniform((6, 6), (213, 153), (250, 2)):
        near = np.s_[int(row) - 6 : int(row) + 8, int(column) - 6 : int(column) + 8]
        away = (x[near] - column) ** 2 + (y[near] - row) ** 2
        stars[near] += rng.uniform(0.02, 0.2) * np.exp(-away / 2.9)
    squared = ((U * 220) ** 2 + (V * 160) ** 2) / (220**2 + 160**2)
    factor = 1 - fault * squared
    rgb = master(3 * [(0.15 + 0.01 * U + stars + light) * factor], PLANES, 4)
    return rgb, master([0.02 + 0.6 * stars + 0.1 * light], ("ha",), 5)


def test_a_bowl_that_stars_show_is_a_fault_of_the_flat_and_divided_only_if_asked():
    rgb, ha = starry(0.0, 0.06)
    told = subtract_gradients(work("", rgb, ha))
    text = dict(told.warnings)["flat-fault"]
    assert text.startswith(
        "rgb: a centred bowl in the sky is a fault of the flat, not moonlight, for the stars show"
    )
    entry = told.recorded["gradient"]["rgb"]["red"]["flat_fault"]
    assert not entry["corrected"] and entry["stars"]["share"] == pytest.approx(
        1.0, abs=3 * entry["stars"]["error"]
    )
    mended = subtract_gradients(work('[gradient]\nflat_fault = "correct"', rgb, ha))
    assert codes(mended) >= {"flat-fault-corrected"} and "flat-fault" not in codes(mended)
    assert mended.recorded["gradient"]["rgb"]["red"]["flat_fault"]["corrected"]
    assert mended.recorded["gradient"]["rgb"]["red"]["amplitude"] == pytest.approx(0.02, rel=0.1)


def test_a_bowl_that_no_star_shows_could_be_the_target_and_is_not_divided_out():
    wide = 0.009 * np.exp(-((np.hypot(U * 1.375, V) / 1.2) ** 2))
    rgb, ha = starry(wide, 0.0)
    for recipe in ("", '[gradient]\nflat_fault = "correct"'):
        told = subtract_gradients(work(recipe, rgb, ha))
        text = dict(told.warnings)["flat-or-outskirts"]
        assert "could be a fault of the flat or the outskirts of the target" in text
        assert ("It was not divided out" in text) == bool(recipe)
        assert not codes(told) & {"flat-fault", "flat-fault-corrected"}
        assert not told.recorded["gradient"]["rgb"]["green"]["flat_fault"]["corrected"]


def test_without_stars_a_bowl_is_left_open():
    squared = ((U * 220) ** 2 + (V * 160) ** 2) / (220**2 + 160**2)
    rgb = master(3 * [(0.15 + 0.01 * U) * (1 - 0.04 * squared)], PLANES, 4)
    told = subtract_gradients(work("", rgb, masters()[1]))
    assert "too few stars to tell" in dict(told.warnings)["flat-or-outskirts"]


def test_smoothing_does_not_make_a_slope_of_many_sigma():
    from scipy.ndimage import gaussian_filter

    from blend.recipe.state import Source
    from blend.recipe.steps.calibrate import calibrate

    def smooth(one):
        pixels = np.stack([gaussian_filter(plane, 1.0) for plane in one.pixels])
        return Source(
            lights=(one.with_(pixels=pixels, facts=replace(one.facts, noise=MappingProxyType({}))),)
        )

    rgb, ha = master(3 * [0.15 + 0.01 * U], PLANES, 4), master([0.02 + 0.001 * V], ("ha",), 5)
    sources = {"rgb": smooth(rgb), "ha": smooth(ha)}
    done = calibrate(replace(work("", rgb, ha), sources=frozen(sources)))
    lights = {name: source.lights[0] for name, source in done.sources.items()}
    told = subtract_gradients(done.with_(masters=frozen(lights)))
    for name, planes in (("rgb", PLANES), ("ha", ("ha",))):
        for plane in planes:
            entry = told.recorded["gradient"][name][plane]
            assert entry["slope_left_sigma"] < 0.25
            assert 0.5 * SIGMA < entry["sigma"] < 3 * SIGMA
    assert not codes(told) & {"slope-left", "sky-uncertain", "sky-unknown"}


def test_spline_warns_of_what_it_eats():
    rgb, ha = masters()
    done = subtract_gradients(work('[gradient]\nmodel = "spline"\n[gradient.ha]\nmodel = "none"', rgb, ha))
    assert "spline-can-eat" in codes(done)
    assert done.recorded["gradient"]["rgb"]["green"]["model"] == "spline"
    assert done.recorded["gradient"]["rgb"]["green"]["slope_left_sigma"] < 0.25


def test_where_nothing_is_sky_the_fit_says_so():
    rgb, ha = masters()
    everything = '{unit = "fraction", x = 0, y = 0, w = 1, h = 1}'
    done = subtract_gradients(work(f"[gradient]\nobject_boxes = [{everything}]", rgb, ha))
    text = dict(done.warnings)["sky-unknown"]
    assert "no part of the frame is sky for sure" in text and "sigma of a pixel" in text
    assert done.recorded["gradient"]["rgb"]["green"]["slope_left"] is None
    assert done.recorded["gradient"]["rgb"]["green"]["uncertainty"] > 0
