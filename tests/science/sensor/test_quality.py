"""Quality: what is wrong with a picture is found where it was planted, and nothing elsewhere."""

import os
from pathlib import Path

import numpy as np
import pytest

from blend.base.errors import InputError
from blend.base.rowblocks import limit_threads
from blend.science.plane.measures import measure, saturation_level, sky_mode
from blend.science.plane.noise import bin_by_four
from blend.science.sensor.linearity import judge_linearity
from blend.science.sensor.quality import judge, refuse_faults

RGB = ("red", "green", "blue")
SHAPE = (320, 400)


def scene(*, sky=0.3, seed=1, planes=1, stars=150, disc=0.05, fwhm=3.0, read=0.001):
    """A moonlit linear picture: sloping sky, a smooth disc, stars to saturation, noise."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]].astype(float)
    light = sky * (1.0 + 0.2 * x / SHAPE[1])
    light += disc * np.exp(-np.hypot(x - 200, (y - 160) * 1.5) / 30.0)
    sigma = fwhm / 2.3548200450309493
    peaks = 0.006 * (1.0 - rng.random(stars)) ** -1.1
    xs, ys = rng.uniform(8, SHAPE[1] - 8, stars), rng.uniform(8, SHAPE[0] - 8, stars)
    for peak, cx, cy in zip(peaks, xs, ys, strict=True):
        box = (slice(int(cy) - 8, int(cy) + 9), slice(int(cx) - 8, int(cx) + 9))
        light[box] += min(peak, 5.0) * np.exp(-((x[box] - cx) ** 2 + (y[box] - cy) ** 2) / (2 * sigma**2))
    colours = np.array([1.0, 0.8, 0.6])[:planes, None, None]
    light = light * colours
    # 400 000 electrons fill the scale: eight frames of a camera of 50 000
    noise = np.sqrt(read**2 + light / 400_000.0) * rng.standard_normal(light.shape)
    return np.minimum(light + noise, 1.0).astype(np.float32)


def displayed(linear, *, level, curve):
    """Take off the slope, set black at sky - 3 sigma, and lift the sky to ``level``."""
    x = np.arange(SHAPE[1])
    flat = linear - 0.3 * 0.2 * x / SHAPE[1]
    sigma = 0.0014
    scaled = np.clip((flat - 0.3 + 3 * sigma) / (1.0 - 0.36), 0.0, 1.0)
    at = 3 * sigma / (1.0 - 0.36)
    if curve == "power":
        return (scaled ** (np.log(level) / np.log(at))).astype(np.float32)
    softening = np.geomspace(1e-6, 1.0, 2000)
    values = np.arcsinh(at / softening) / np.arcsinh(1.0 / softening)
    softening = np.interp(-level, -values, softening)
    return (np.arcsinh(scaled / softening) / np.arcsinh(1.0 / softening)).astype(np.float32)


def codes(verdict):
    return [finding.code for finding in verdict.findings]


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_moonlit_linear_master_is_linear_and_clean(seed):
    verdict = judge(scene(planes=3, seed=seed), RGB)
    assert verdict.linear
    assert verdict.confidence < 0.5
    assert codes(verdict) == []
    assert not verdict.border.any()


@pytest.mark.parametrize("curve", ["asinh", "power"])
@pytest.mark.parametrize("level", [0.1, 0.2, 0.3])
def test_the_same_scene_stretched_is_recognised(curve, level):
    verdict = judge(displayed(scene(), level=level, curve=curve), ["ha"])
    assert not verdict.linear
    finding = verdict.find("stretched")
    assert finding.fault
    assert finding.evidence["confidence"] >= 0.9
    with pytest.raises(InputError, match="already stretched"):
        refuse_faults(verdict, "ha.fits")


def test_scale_and_offset_are_still_linear():
    """Sky subtraction, full scale in ADU, negative pixels: nothing of it bends the curve."""
    linear = scene()
    for picture in (linear - 0.36, 65535.0 * linear, 0.1 * linear + 0.5):
        assert judge(picture.astype(np.float32), ["ha"]).linear


@pytest.mark.parametrize("kind", ["noise", "noisy corners", "clipped stars", "few stars"])
def test_no_false_alarm_where_evidence_is_thin(kind):
    rng = np.random.default_rng(4)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    if kind == "noise":
        picture = 0.3 + 0.002 * rng.standard_normal(SHAPE)
    elif kind == "noisy corners":
        # a flat doubles the noise of dark corners while the object sits in the quiet middle
        radius = np.hypot(x - 200, y - 160)
        picture = 0.02 + 0.05 * np.exp(-radius / 40.0)
        picture = picture + 0.001 * (1.0 + radius / 200.0) * rng.standard_normal(SHAPE)
    elif kind == "clipped stars":
        # saturation at 0.4, spread by a flat that was divided out: no sharp pile
        picture = np.minimum(scene(stars=300, seed=5)[0], 0.4) * (
            1.0 + 0.3 * np.hypot(x - 200, y - 160) / 256.0
        )
    else:
        picture = scene(stars=6, disc=0.0)[0]
    assert judge_linearity(picture.astype(np.float32)).confidence < 0.5


def test_words_of_a_header_tip_the_scale_but_do_not_decide():
    linear = scene()
    assert judge(linear, ["ha"], header={"HISTORY": "asinh stretch applied"}).linear
    assert (
        judge(linear, ["ha"], header={"HISTORY": "not stretched"}).confidence
        == judge(linear, ["ha"]).confidence
    )
    declared = judge(linear, ["ha"], header={"DOMAIN": "display"})
    assert not declared.linear
    assert "its header says display domain" in declared.find("stretched").text


def real_frames():
    given = os.environ.get("BLEND_REAL_FRAMES")
    folder = Path(given) if given else Path(__file__).parents[3].parent / "shared" / "data"
    return sorted(folder.glob("ou5-*.fits"))


@pytest.mark.real
@pytest.mark.skipif(not real_frames(), reason="no real frames here: set BLEND_REAL_FRAMES")
def test_real_frames_are_linear():
    from astropy.io import fits

    for path in real_frames():
        verdict = judge(fits.getdata(path).astype(np.float32)[None], [path.stem])
        assert verdict.linear, path.name
        assert verdict.confidence < 0.5
        assert "mosaic" not in codes(verdict)


def test_empty_and_constant_planes_are_faults():
    picture = scene(planes=3)
    picture[1] = np.nan
    picture[2] = 7.0
    verdict = judge(picture, RGB)
    assert [(f.code, f.plane, f.fault) for f in verdict.findings[:2]] == [
        ("all-nan", "green", True),
        ("constant", "blue", True),
    ]
    assert verdict.find("constant").text == "every pixel of blue is 7"
    with pytest.raises(InputError) as caught:
        refuse_faults(verdict, "rgb.fits")
    assert str(caught.value) == (
        "rgb.fits: every pixel of green is NaN; expected a linear picture with data in every plane."
        " Do this: look at the file again."
    )
    assert judge(np.full((3, 20, 20), np.nan, dtype=np.float32), RGB).border.all()


def test_mostly_negative_is_told():
    assert codes(judge(scene() - 0.6, ["ha"])) == ["negative"]


def test_planes_that_saturate_apart_were_balanced():
    picture = scene(planes=3, seed=6, stars=250)
    scaled = np.minimum(picture, 0.5) * np.array([2.0, 1.0, 1.5], dtype=np.float32)[:, None, None]
    verdict = judge(scaled, RGB)
    finding = verdict.find("white-balance")
    assert finding.evidence["ratio"] == pytest.approx(2.0, rel=1e-3)
    assert "red 1, green 0.5, blue 0.75" in finding.text


def test_scaled_whole_numbers_leave_a_comb():
    whole = np.rint(scene() * 4095.0)
    assert "combed" not in codes(judge(whole.astype(np.float32), ["ha"]))
    assert "combed" not in codes(judge((16.0 * whole / 65535.0).astype(np.float32), ["ha"]))
    assert "combed" in codes(judge(np.rint(1.7 * whole).astype(np.float32), ["ha"]))


def test_numbers_too_large_for_any_code_are_no_codes():
    assert "combed" not in codes(judge((scene() * 1e30).astype(np.float32), ["ha"]))


def test_eight_bits_and_coarse_steps_are_told():
    assert "eight-bit" in codes(judge((np.rint(scene() * 255) / 255).astype(np.float32), ["ha"]))
    assert "posterised" in codes(judge((np.rint(scene() * 500) / 500).astype(np.float32), ["ha"]))


def test_a_mosaic_is_recognised_whatever_its_phase():
    linear = scene(planes=3)
    for shift in (0, 1):
        mosaic = linear[1].copy()
        mosaic[shift::2, ::2] = linear[0, shift::2, ::2]
        mosaic[1 - shift :: 2, 1::2] = linear[2, 1 - shift :: 2, 1::2]
        assert "mosaic" in codes(judge(mosaic[None], ["ha"]))
    assert "mosaic" not in codes(judge(linear, RGB))


def test_a_line_master_of_three_planes_names_its_plane():
    line = scene(sky=0.02, disc=0.1)[0]
    rng = np.random.default_rng(7)
    leak = 0.03 * line + 0.001 * rng.standard_normal(line.shape).astype(np.float32)
    finding = judge(np.stack([line, leak, leak[::-1, ::-1]]), RGB).find("line-in-colour")
    assert finding.plane == "red"
    grey = judge(np.stack([line, line, line]), RGB)
    assert "grey-in-colour" in codes(grey)


def test_borders_are_told_and_cut_corners_mean_a_rotation():
    picture = scene(planes=3)
    picture[:, :5] = 0.0
    straight = judge(picture, RGB)
    assert straight.border[:5].all() and "border" in codes(straight) and "rotated" not in codes(straight)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    picture[:, x + 8.0 * y < 200] = 0.0
    assert "rotated" in codes(judge(picture, RGB))


def test_saturation_is_the_lowest_level_of_the_pile():
    linear = scene(stars=300, seed=9)[0]
    clipped = np.minimum(linear, 0.7)
    assert saturation_level(clipped) == pytest.approx(0.7, rel=1e-6)
    rng = np.random.default_rng(10)
    smeared = np.where(clipped == clipped.max(), 0.7 - 0.004 * rng.random(SHAPE), clipped)
    level = saturation_level(smeared.astype(np.float32))
    assert 0.69 < level <= 0.6965
    smeared[5, 5] = 1.0  # one hot pixel above the pile
    assert 0.68 < saturation_level(smeared.astype(np.float32)) <= 0.6965


def test_nothing_piles_up_in_noise_or_unclipped_stars():
    rng = np.random.default_rng(11)
    assert saturation_level(rng.standard_normal(SHAPE).astype(np.float32)) is None
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    stars = sum(a * np.exp(-((x - u) ** 2 + (y - v) ** 2) / 6.0) for a, u, v in rng.uniform(1, 300, (40, 3)))
    assert saturation_level((stars + rng.standard_normal(SHAPE)).astype(np.float32)) is None
    assert saturation_level(np.full(SHAPE, np.nan, dtype=np.float32)) is None


def test_measure_finds_planted_sky_noise_and_slope():
    rng = np.random.default_rng(12)
    y, x = np.mgrid[:640, :768]
    plane = 0.2 + 0.03 * x / 767 - 0.01 * y / 639 + 0.002 * rng.standard_normal(x.shape)
    plane += 0.3 * np.exp(-np.hypot(x - 400, y - 300) / 25.0)
    plane[:, :10] = np.nan
    told = measure(plane[None].astype(np.float32), ["ha"])["ha"]
    assert told["sky"] == pytest.approx(
        0.21, abs=0.002
    )  # the mode of a sloping sky is known to a tenth of its slope
    # errors of 480 000, 30 000 and 1900 second differences of block means
    assert told["noise"][1] == pytest.approx(0.002, rel=0.02)
    assert told["noise"][4] == pytest.approx(0.0005, rel=0.06)
    assert told["noise"][16] == pytest.approx(0.000125, rel=0.25)
    # corner to corner 0.03 + 0.01; the disc's wings pull by a few percent
    assert told["slope"] == pytest.approx(0.04, rel=0.06)
    assert told["slope_percent"] == pytest.approx(100 * told["slope"] / told["sky"])
    assert told["missing"] == pytest.approx(10 / 768)
    assert told["saturation"] is None
    assert told["least"] == np.nanmin(plane.astype(np.float32))
    assert told["greatest"] == np.nanmax(plane.astype(np.float32))


def test_measure_leaves_invalid_pixels_out():
    picture = scene()
    invalid = np.zeros(SHAPE, dtype=bool)
    invalid[:, 300:] = True
    spoiled = picture.copy()
    spoiled[0, :, 300:] = 40.0
    cut = picture.copy()
    cut[0, :, 300:] = np.nan
    assert repr(measure(spoiled, ["ha"], invalid=invalid)) == repr(measure(cut, ["ha"], invalid=invalid))


def test_a_sky_of_zero_has_no_slope_in_percent():
    rng = np.random.default_rng(13)
    told = measure(rng.standard_normal((1, 128, 128)).astype(np.float32), ["ha"])["ha"]
    assert np.isnan(told["slope_percent"])
    assert abs(told["sky"]) < 0.1
    assert 0.3 < told["sky_position"] < 0.7


def test_blocks_are_means_of_what_is_there():
    plane = np.arange(96, dtype=np.float32).reshape(8, 12)
    plane[0, 0] = np.nan
    plane[4:8, 4:7] = np.nan
    means, shares, good = bin_by_four(plane)
    assert means[0, 0] == np.float32(np.nanmean(plane[:4, :4]))
    assert shares[0, 0] == np.float32(15 / 16)
    assert np.isnan(means[1, 1])  # a quarter is left
    assert good == 96 - 13
    told = measure(np.tile(plane, (8, 8))[None], ["ha"])["ha"]
    assert (told["least"], told["greatest"]) == (1.0, 95.0)


def test_the_mode_withstands_a_galaxy():
    """20 % of pixels have an exponential excess of three sigma; the clipped median would be 0.7 off."""
    rng = np.random.default_rng(14)
    values = 100.0 + 5.0 * rng.standard_normal(200_000)
    values[:40_000] += rng.exponential(15.0, 40_000)
    assert sky_mode(values) == pytest.approx(100.0, abs=0.5)


def test_threads_do_not_matter_and_inputs_are_kept():
    picture = scene(planes=3)
    picture.flags.writeable = False
    with limit_threads(1):
        one, first = measure(picture, RGB), judge(picture, RGB)
    with limit_threads(3):
        many, second = measure(picture, RGB), judge(picture, RGB)
    assert repr(one) == repr(many)  # NaN differs from itself
    assert first.confidence == second.confidence
    assert first.saturation == second.saturation


def covered_unevenly(quiet, *, stars):
    """A disc where more frames overlap: its noise falls to ``quiet`` of the sky's, though all is linear."""
    rng = np.random.default_rng(15)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    disc = np.exp(-(np.hypot(x - 200, y - 160) ** 2) / 2500.0)
    noise = 0.001 * (1.0 - (1.0 - quiet) * np.minimum(1.0, 2.0 * disc))
    picture = 0.05 + 0.05 * disc + noise * rng.standard_normal(SHAPE)
    for peak, cx, cy in zip(
        rng.uniform(0.01, 0.5, stars) ** 2 + 0.01,
        rng.uniform(8, 390, stars),
        rng.uniform(8, 310, stars),
        strict=True,
    ):
        picture += peak * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / 4.0)
    return picture.astype(np.float32)


def test_stars_of_one_width_overrule_noise_that_falls():
    without = judge_linearity(covered_unevenly(0.3, stars=0))
    assert without.noise_ratio < 0.5
    assert without.confidence > 0.7  # noise alone cannot tell overlap from a curve
    assert judge_linearity(covered_unevenly(0.3, stars=90)).confidence < 0.5


def test_a_little_less_noise_is_no_evidence():
    told = judge_linearity(covered_unevenly(0.8, stars=0))
    assert 0.7 < told.noise_ratio < 0.95
    assert told.confidence == 0.0
