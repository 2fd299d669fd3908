"""Solving the stretch, keeping colour, faults."""

import numpy as np
import pytest

from blend.base.errors import RecipeError, StepError
from blend.science.picture.colourspace import linear_to_oklab, srgb_decode
from blend.science.picture.curves import CURVES
from blend.science.picture.stretch import solve_stretch, stretch_line, stretch_planes


def _solve(curve="asinh", **changes):
    given = {"sky": 0.0, "sigma": 1e-3, "white": 1.0, "sky_level": 0.1, **changes}
    return solve_stretch(curve, **given)


def test_the_closed_forms():
    # x = m = 0.01 at the sky when 3 sigma = 1 / 99 of white.
    solved = {name: _solve(name, sigma=1 / 297, sky_level=0.25, most_sky_noise=9) for name in CURVES}
    assert solved["power"].parameter == pytest.approx(np.log(0.25) / np.log(0.01), rel=1e-12)
    assert solved["rational"].parameter == pytest.approx(33.0, rel=1e-12)
    assert solved["asinh"].parameter == pytest.approx(0.0046006946, rel=1e-7)
    assert solved["log"].parameter == pytest.approx(324.8773, rel=1e-6)
    slopes = {name: s.sky_slope * (s.white - s.black) for name, s in solved.items() if name != "linear"}
    # Slopes dy/dx by differentiating each curve by hand.
    assert slopes["power"] == pytest.approx(0.30103 * 25, rel=1e-5)
    assert slopes["rational"] == pytest.approx(33 / (1 + 32 * 0.01) ** 2, rel=1e-6)
    a = 324.8773
    assert slopes["log"] == pytest.approx(a / (1 + a * 0.01) / np.log1p(a), rel=1e-5)
    b = 0.0046006946
    assert slopes["asinh"] == pytest.approx(1 / np.hypot(b, 0.01) / np.arcsinh(1 / b), rel=1e-5)


def test_log_has_an_exact_case():
    # (m, t) = (0.1, 0.5): ln(1 + 8) / ln(81) = 1/2, so a = 80.
    solved = _solve("log", sigma=1 / 27, sky_level=0.5, most_sky_noise=9)
    assert solved.parameter == pytest.approx(80, rel=1e-9)


def test_a_sky_that_is_not_nought_moves_black_with_it():
    zero, raised = _solve(), _solve(sky=5.0, white=6.0)
    assert raised.black == pytest.approx(5.0 - 0.003)
    assert raised.parameter == pytest.approx(zero.parameter, rel=1e-9)


@pytest.mark.parametrize("sigma", [0.0, np.nan, np.inf])
def test_a_noiseless_picture_has_a_stretch_too(sigma):
    solved = _solve(sigma=sigma)
    assert solved.black == pytest.approx(-3e-6)
    assert float(CURVES["asinh"].value(solved.sky_position, solved.parameter)) == pytest.approx(0.1)
    assert solved.sky_noise < 0.025


def test_the_share_below_black_is_the_gaussian_tail():
    assert _solve(black_sigma=3.0).clipped_share == pytest.approx(0.0013499, abs=1e-7)
    noise = np.random.default_rng(1).normal(0, 1e-3, (500, 500)).astype(np.float32)
    solved = _solve(black_sigma=2.0)
    dark = stretch_planes(noise[None], solved) == 0
    # 250 000 pixels tell the share of 0.02275 to 0.0003.
    assert dark.mean() == pytest.approx(solved.clipped_share, abs=0.001)


@pytest.mark.parametrize("colour", ["planes", "preserve"])
def test_the_displayed_sky_has_the_level_and_noise_told(colour):
    grey = np.random.default_rng(2).normal(0, 1e-3, (400, 400)).astype(np.float32)
    solved = _solve(sky_level=0.08)
    shown = stretch_planes(np.stack([grey] * 3), solved, colour=colour)[1]
    assert np.median(shown) == pytest.approx(solved.sky_level, abs=3e-4)
    # The middle two thirds of the sky; the curve bends over a sigma by a few percent.
    low, high = np.percentile(shown, [15.865, 84.135])
    assert (high - low) / 2 == pytest.approx(solved.sky_noise, rel=0.05)


def test_default_noise_limit_is_kept():
    for name in ("asinh", "log", "power", "rational"):
        solved = _solve(name, sigma=5e-3, sky_level=0.3)
        assert solved.lowered
        assert solved.sky_noise == pytest.approx(0.025, rel=1e-6)


def test_black_follows_the_noisiest_plane_and_the_limit_what_is_shown():
    plain, mean = _solve(most_sky_noise=9), _solve(most_sky_noise=9, shown_sigma=5e-4)
    assert mean.black == plain.black
    assert mean.parameter == plain.parameter
    assert mean.sky_noise == pytest.approx(plain.sky_noise / 2)


def test_linear_tells_the_level_it_reached():
    solved = _solve("linear", sky_level=0.1)
    assert solved.sky_level == pytest.approx(0.003 / 1.003)
    assert solved.wanted_level == 0.1
    assert not solved.lowered
    assert np.isnan(solved.parameter)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        (
            {"curve": "asinh", "sigma": 0.1, "sky_level": 0.1},
            "stretch: the curve asinh cannot show the sky at 0.1: black and white alone put it at 0.2308; "
            "expected a sky_level between 0.2308 and 0.979. "
            "Do this: choose a sky_level in that range, or the curve 'power' or 'rational'.",
        ),
        (
            {"white": -1.0},
            "stretch: white -1 is not above the sky 0. "
            "Do this: look at the star cores and the gradient of this master.",
        ),
        ({"sky_level": 1.0}, "stretch.sky_level: 1; expected a number between 0 and 1."),
    ],
)
def test_faults_say_what_would_work(changes, message):
    with pytest.raises(StepError) as caught:
        _solve(**changes)
    assert str(caught.value) == message


def test_an_unknown_curve_is_a_fault_of_the_recipe():
    with pytest.raises(RecipeError, match="Did you mean 'asinh'"):
        _solve("asin")


def test_power_reaches_what_asinh_cannot():
    solved = _solve("power", sigma=0.1, sky_level=0.1, most_sky_noise=9)
    assert solved.sky_level == 0.1


def test_every_ratio_of_light_is_kept():
    rng = np.random.default_rng(3)
    pixels = rng.uniform(0.01, 0.2, (3, 40, 40)).astype(np.float32)
    solved = _solve()
    shown = srgb_decode(stretch_planes(pixels, solved).astype(np.float64))
    inside = shown.max(axis=0) < 0.999
    scaled = pixels.astype(np.float64) - solved.black
    ratio = shown / scaled
    assert inside.mean() > 0.3
    # One gain to three planes, through float32 codes.
    assert np.abs(ratio / ratio[0] - 1)[:, inside].max() < 2e-5


def test_a_saturated_core_is_white():
    core = np.array([1.3, 1.0, 1.1], dtype=np.float32).reshape(3, 1, 1)
    shown = stretch_planes(core, _solve())
    # To the last bit of float32; the three planes alike.
    assert np.abs(shown - 1.0).max() < 1e-7
    assert np.all(shown == shown[0])


def test_highlights_go_to_white_without_a_step():
    # A coloured star brightening through white.
    brightness = np.geomspace(0.01, 3, 2000, dtype=np.float32)
    star = np.array([1.4, 1.0, 0.6], dtype=np.float32)[:, None, None] * brightness[None, None]
    shown = stretch_planes(star, _solve())[:, 0]
    assert np.all(np.diff(shown, axis=1) >= -1e-6)
    # Brightness grows by 0.3 % a step; a seam would show as a jump.
    assert np.abs(np.diff(shown, axis=1)).max() < 0.01
    spread = shown.max(axis=0) - shown.min(axis=0)
    # Through OKLab and back in float32.
    assert spread[brightness >= 1].max() < 1e-6
    assert spread[1000] > 0.1


def test_a_coloured_highlight_is_not_clipped_and_keeps_hue_and_order():
    # Brightening colours of every hue that pass what can be shown.
    brightness = np.linspace(0.02, 0.99, 300, dtype=np.float32)
    solved = _solve()
    for colour in ((1.8, 0.9, 0.3), (0.5, 0.7, 1.8), (1.4, 0.3, 1.3), (0.6, 1.7, 0.7)):
        star = np.array(colour, dtype=np.float32)[:, None, None] * brightness[None, None]
        shown = stretch_planes(star, solved)[:, 0].astype(np.float64)
        assert shown.max() < 1.0
        light = srgb_decode(shown)
        assert np.all(np.diff(linear_to_oklab(light)[0]) > 0)
        before = linear_to_oklab(star[:, 0].astype(np.float64) - solved.black)
        after = linear_to_oklab(light)
        turned = np.angle((after[1] + 1j * after[2]) / (before[1] + 1j * before[2]), deg=True)
        # Where a plane is 0 its negative is cut, and near white there is no hue left.
        seen = (shown.min(axis=0) > 0) & (np.hypot(after[1], after[2]) > 0.01)
        assert np.abs(turned[seen]).max() < 1.0


@pytest.mark.parametrize("curve", ["asinh", "log", "power", "rational", "linear"])
@pytest.mark.parametrize("light", [0.02, 0.1, 0.4])
def test_the_target_lands_where_asked_and_the_sky_and_its_noise_stay(curve, light):
    asked = {
        "sky": 0.0,
        "sigma": 4e-4,
        "shown_sigma": 3e-4,
        "white": 1.0,
        "sky_level": 0.1,
        "black_sigma": 3.1,
    }
    solved = solve_stretch(curve, **asked, target=(light, 0.85))
    levels = np.array([[[0.0, light, 1.0]]], dtype=np.float32)
    sky, target, white = stretch_planes(levels, solved)[0, 0]
    assert solved.tone is not None
    assert target == pytest.approx(solved.tone.level, abs=1e-5)
    # Where half of what the sensor holds is the target's, white at saturation is brighter already.
    assert solved.tone.bound == ("saturation" if solved.tone.level > 0.8501 else "")
    assert solved.tone.bound == "" or light > 0.05
    assert white == 1.0
    if curve != "linear":
        assert sky == pytest.approx(0.1, abs=1e-5)
        assert solved.sky_noise <= 0.02
    rising = np.linspace(solved.black, 1.0, 40_001, dtype=np.float32)[None, None]
    shown = stretch_planes(rising, solved)[0, 0]
    assert np.all(np.diff(shown) >= 0) and np.diff(shown[::40]).min() > 0
    # A shoulder begins with the curve's slope: no edge at the target.
    step = 1e-3 * light
    around = np.array([[[light - step, light, light + step]]], dtype=np.float32)
    below, at, above = stretch_planes(around, solved)[0, 0].astype(np.float64)
    assert (above - at) / (at - below) == pytest.approx(1.0, abs=0.05)


def test_a_shallow_target_stays_dimmer_and_says_so():
    for sigma, light, bound in (
        (1e-3, 0.02, "noise"),
        (1e-3, 0.10, ""),
        (1e-6, 0.98, "saturation"),
        (0.02, 0.3, "noise"),
    ):
        solved = solve_stretch(
            "asinh", sky=0.0, sigma=sigma, white=1.0, sky_level=0.1, black_sigma=3.1, target=(light, 0.85)
        )
        assert solved.tone is not None and solved.tone.bound == bound
        assert solved.sky_noise <= 0.02 * (1 + 1e-6)
        if bound == "noise":
            assert solved.tone.level < 0.85
            if solved.tone.needed < 1.0:
                enough = solve_stretch(
                    "asinh",
                    sky=0.0,
                    sigma=sigma,
                    white=1.0,
                    sky_level=0.1,
                    black_sigma=3.1,
                    target=(1.01 * solved.tone.needed, 0.85),
                )
                assert enough.tone is not None and enough.tone.bound == ""


def test_a_galaxy_field_keeps_its_hues():
    from skimage.data import hubble_deep_field

    light = srgb_decode(np.moveaxis(hubble_deep_field()[200:500, 300:700] / 255.0, -1, 0)).astype(np.float32)
    solved = _solve(sigma=2e-4, black_sigma=0.5, sky_level=0.05)
    shown = stretch_planes(light, solved)
    before = linear_to_oklab(light.astype(np.float64) - solved.black)
    after = linear_to_oklab(srgb_decode(shown.astype(np.float64)))
    chroma = np.hypot(after[1], after[2])
    coloured = (chroma > 0.01) & (shown.max(axis=0) < 0.999) & (shown.min(axis=0) > 0)
    cross, dot = before[1] * after[2] - before[2] * after[1], before[1] * after[1] + before[2] * after[2]
    assert coloured.mean() > 0.1
    assert np.degrees(np.abs(np.arctan2(cross, dot)[coloured])).max() < 1.0


def test_wrong_arguments_are_refused():
    with pytest.raises(ValueError, match="planes, rows and columns"):
        stretch_planes(np.zeros((3, 3)), _solve())
    with pytest.raises(ValueError, match="'keep'"):
        stretch_planes(np.zeros((3, 3, 3)), _solve(), colour="keep")


@pytest.mark.parametrize("sigma", [1e-7, 1e-4, 1e-2])
def test_pixels_get_the_curve_that_was_solved(sigma):
    # 1e-6: float32's rounding, met a few times; the pixels' own rounding at the steepest curve sets the share.
    solved = _solve(sigma=sigma, most_sky_noise=9)
    x = np.linspace(0.0, 1.0, 20_001)
    pixels = (solved.black + x * (solved.white - solved.black)).astype(np.float32)
    x = np.clip((pixels.astype(np.float64) - solved.black) / (solved.white - solved.black), 0.0, 1.0)
    exact = np.arcsinh(x / solved.parameter) / np.arcsinh(1.0 / solved.parameter)
    shown = stretch_planes(pixels[None, None], solved, colour="planes")[0, 0]
    np.testing.assert_allclose(shown, exact, rtol=0, atol=2e-6)


def test_a_line_at_its_sky_lands_on_the_neutral_value_exactly():
    solved = _solve(sigma=1e-4)
    plane = np.zeros((4, 9000), dtype=np.float32)
    plane[2, 5], plane[3, 7] = 0.25, np.nan
    for neutral in (0.0, 0.1, 0.5):
        shown = stretch_line(plane, solved, neutral=neutral)
        assert (shown[plane == 0.0] == np.float32(neutral)).all()
        assert shown[2, 5] > neutral
        assert np.isnan(shown[3, 7])


def test_grey_gets_the_curve_and_no_plane_passes_one():
    solved = _solve()
    grey = np.linspace(0.0, 1.5, 3000, dtype=np.float32).reshape(30, 100)
    alone = stretch_planes(grey[None], solved)[0]
    three = stretch_planes(np.stack([grey] * 3), solved)
    np.testing.assert_allclose(three, np.stack([alone] * 3), atol=2e-6)
    rng = np.random.default_rng(3)
    wild = stretch_planes(rng.normal(0.3, 1.0, (3, 70, 40)).astype(np.float32), solved)
    assert 0.0 <= wild.min() <= wild.max() <= 1.0
