"""Calibration: a camera planted into a known sky comes out again; frames that do not belong are told."""

from dataclasses import replace

import numpy as np
import pytest

from blend.base.errors import InputError, RecipeError, StepError
from blend.base.rowblocks import limit_threads
from blend.science.sensor.calibration import Fault, Frame, calibrate
from blend.science.sensor.darks import dark_fits

SHAPE = (120, 160)
NOISE = 2.0
HOT = 40


def camera(planes=1, seed=1):
    """Bias, dark, flat and hot places of an invented camera, in ADU."""
    rng = np.random.default_rng(seed)
    shape = (planes, *SHAPE)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    bias = 100.0 + 0.3 * rng.standard_normal(shape)
    current = 60.0 + 0.5 * rng.standard_normal(shape)
    cells = [(j, i) for j in range(5, SHAPE[0] - 5, 8) for i in range(5, SHAPE[1] - 5, 8)]
    places = np.array([cells[k] for k in rng.choice(len(cells), HOT, replace=False)])
    current[:, places[:, 0], places[:, 1]] += rng.uniform(100.0, 3000.0, HOT)
    response = 1.0 - 0.4 * (np.hypot(x - 80, y - 60) / 100.0) ** 2 + 0.01 * rng.standard_normal(shape)
    response /= np.median(response, axis=(1, 2), keepdims=True)
    return bias, current, response, places


def night(planes=1, sky=500.0, exposure=1.0, seed=1):
    """A light with a slope, and its frames; ``exposure`` is that of the light over that of the dark."""
    bias, current, response, places = camera(planes, seed)
    rng = np.random.default_rng(seed + 50)
    x = np.arange(SHAPE[1])
    truth = (sky + 0.2 * x)[None, None, :] * np.array([1.0, 0.7, 0.4])[:planes, None, None]
    truth = np.broadcast_to(truth, bias.shape)
    light = bias + exposure * current + truth * response + NOISE * rng.standard_normal(bias.shape)
    frames = {
        "dark": Frame(
            pixels=(bias + current).astype(np.float32), exposure_s=100.0, temperature_c=-10.0, iso=800
        ),
        "bias": Frame(pixels=bias.astype(np.float32)),
        "flat": Frame(pixels=(bias + 20000.0 * response).astype(np.float32)),
    }
    light = Frame(pixels=light.astype(np.float32), exposure_s=100.0 * exposure, temperature_c=-10.0, iso=800)
    return light, frames, truth, places


def codes(done):
    return [code for code, _ in done.notes]


def only(frames, *names):
    return {name: frames[name] for name in names}


def test_the_sky_comes_out_of_the_camera():
    light, frames, truth, places = night(planes=3)
    done = calibrate(light, **frames)
    error = (done.pixels - truth) / NOISE
    assert np.abs(np.median(error, axis=(1, 2))).max() < 0.1
    # 57 600 Gaussian pixels reach 4.4 sigma; corners have 1 / 0.6 of the noise, places once hot are medians
    assert np.abs(error).max() < 10.0
    assert done.has(Fault.HOT)[places[:, 0], places[:, 1]].all()
    assert done.has(Fault.REPAIRED).sum() == done.has(Fault.HOT).sum() <= HOT + 2
    assert done.notes == ()
    assert done.dark_factor == 1.0
    assert [evidence.share for evidence in done.evidence] == [1.0] * 3


def test_without_a_bias_the_dark_takes_it_along_to_the_same_result():
    light, frames, _, _ = night()
    flat_dark = Frame(pixels=frames["bias"].pixels)
    with_bias = calibrate(light, **frames)
    without = calibrate(light, **only(frames, "dark", "flat"), flat_dark=flat_dark)
    np.testing.assert_array_equal(with_bias.pixels, without.pixels)


def test_the_dark_is_scaled_only_against_a_bias():
    light, frames, truth, _ = night(exposure=2.5)
    done = calibrate(light, **frames, dark_scaling="exposure")
    assert done.dark_factor == 2.5
    assert abs(float(np.median(done.pixels - truth))) < 0.2 * NOISE
    assert codes(done) == []
    with pytest.raises(RecipeError) as caught:
        calibrate(light, **only(frames, "dark", "flat"), dark_scaling="exposure", where="masters.ha")
    assert str(caught.value) == (
        "calibrate.dark_scaling: 'exposure', but masters.ha has no bias;"
        " expected a bias, which must not be scaled with the dark."
        " Do this: give masters.ha.bias, or set it to 'none' and use a dark of the light's exposure."
    )


def test_scaling_needs_both_exposures():
    light, frames, _, _ = night()
    frames["dark"] = Frame(pixels=frames["dark"].pixels)
    with pytest.raises(RecipeError, match=r"masters\.ha\.dark: its exposure is not known"):
        calibrate(light, **frames, dark_scaling="exposure", where="masters.ha")


def test_a_dark_of_another_exposure_is_told_with_its_residual():
    light, frames, _, _ = night(exposure=1.5)
    done = calibrate(light, **frames, gain_e=2.0)
    text = dict(done.notes)["dark-exposure"]
    assert text == (
        "the dark was exposed 100 s, the light 150 s: 50 % of the dark's own signal"
        " is left in the picture (60 e a pixel)"
    )
    # the promise holds: half of 60 ADU is left, divided by a flat of median 1
    truth = night(exposure=1.5)[2]
    assert float(np.median(done.pixels - truth)) == pytest.approx(30.0, abs=1.0)


def test_temperature_and_iso_are_told():
    light, frames, _, _ = night()
    warm = Frame(pixels=light.pixels, exposure_s=101.0, temperature_c=-7.0, iso=1600)
    notes = dict(calibrate(warm, **frames).notes)
    assert sorted(notes) == ["dark-iso", "dark-temperature"]
    assert "3 degrees C warmer than the dark: 30 to 52 %" in notes["dark-temperature"]
    assert "about 100 %" in notes["dark-iso"]


def test_facts_nobody_stated_are_told_once():
    light, frames, _, _ = night(planes=3)
    done = calibrate(Frame(pixels=light.pixels), **frames)
    assert done.notes == (
        ("dark-unchecked", "light and dark could not be compared in exposure and temperature: not stated"),
    )


@pytest.mark.parametrize("name", ["dark", "bias", "flat", "flat_dark"])
def test_sizes_that_differ_are_a_fault_with_both_sizes(name):
    light, frames, _, _ = night()
    frames[name] = Frame(pixels=np.ones((1, 120, 158), dtype=np.float32))
    with pytest.raises(InputError) as caught:
        calibrate(light, **frames, where="masters.ha")
    assert (
        f"masters.ha.{name}: 158 x 120 pixels in 1 plane; expected 160 x 120 pixels in 1 plane, as the light"
        in str(caught.value)
    )


def test_planes_that_differ_are_a_fault():
    light, frames, _, _ = night(planes=3)
    frames["flat"] = night()[1]["flat"]
    with pytest.raises(InputError, match="in 1 plane; expected 160 x 120 pixels in 3 planes"):
        calibrate(light, **frames)


@pytest.mark.parametrize(
    ("name", "value"), [("dark", 5.0), ("flat", 1.0), ("bias", np.nan), ("flat", np.nan)]
)
def test_constant_and_empty_frames_are_faults(name, value):
    light, frames, _, _ = night()
    frames[name] = Frame(pixels=np.full((1, *SHAPE), value, dtype=np.float32))
    with pytest.raises(InputError):
        calibrate(light, **frames)


def test_a_constant_bias_is_an_offset():
    light, frames, truth, _ = night()
    frames["bias"] = Frame(pixels=np.full((1, *SHAPE), 100.0, dtype=np.float32))
    assert abs(float(np.median(calibrate(light, **frames).pixels - truth))) < 0.2 * NOISE


def test_dead_pixels_of_the_flat_are_filled_and_a_dead_area_is_no_data():
    light, frames, truth, _ = night()
    flat = frames["flat"].pixels.copy()
    bias = frames["bias"].pixels
    flat[0, 31, 40] = bias[0, 31, 40] + 500.0  # 2.5 % of the typical light
    flat[0, 33, 60] = np.nan
    flat[0, 90:100, 100:112] = bias[0, 90:100, 100:112]
    frames["flat"] = Frame(pixels=flat)
    done = calibrate(light, **frames)
    assert done.has(Fault.DEAD_FLAT).sum() == 122
    assert done.has(Fault.REPAIRED)[31, 40]
    assert done.has(Fault.REPAIRED)[33, 60]
    assert abs(done.pixels[0, 31, 40] - truth[0, 31, 40]) < 5 * NOISE
    assert np.isnan(done.pixels[0, 93:97, 103:109]).all()


def test_the_level_of_a_flat_does_not_matter_and_planes_keep_their_ratios():
    light, frames, _, _ = night(planes=3)
    done = calibrate(light, **frames)
    bias, flat = frames["bias"].pixels, frames["flat"].pixels
    frames["flat"] = Frame(
        pixels=bias + (flat - bias) * np.array([0.5, 1.0, 2.0], dtype=np.float32)[:, None, None]
    )
    other = calibrate(light, **frames)
    np.testing.assert_allclose(done.pixels, other.pixels, rtol=2e-5)  # a few roundings of float32
    np.testing.assert_allclose(np.array(other.flat_norm) / done.flat_norm, [0.5, 1.0, 2.0], rtol=1e-4)


def test_flat_warnings():
    light, frames, _, _ = night()
    flat = frames["flat"].pixels
    light = Frame(pixels=light.pixels, filter="Ha")
    alone = calibrate(light, flat=Frame(pixels=np.minimum(flat, 18000.0), filter="Red"))
    assert codes(alone) == ["flat-filter", "flat-saturated"]
    own = Frame(pixels=frames["bias"].pixels, exposure_s=2.0)
    assert codes(calibrate(light, flat=Frame(pixels=flat, exposure_s=3.0), flat_dark=own)) == [
        "flat-dark-exposure"
    ]


def test_a_flat_darker_than_its_dark_is_a_fault():
    light, frames, _, _ = night()
    with pytest.raises(StepError, match="expected light in the flat"):
        calibrate(light, flat=frames["bias"], flat_dark=frames["flat"])


def test_a_shifted_stack_is_refused_unless_allowed():
    light, frames, _, _ = night()
    moved = Frame(
        pixels=np.roll(light.pixels, (3, 5), axis=(1, 2)), exposure_s=100.0, temperature_c=-10.0, iso=800
    )
    with pytest.raises(StepError) as caught:
        calibrate(moved, **frames, where="masters.ha")
    assert str(caught.value).startswith(
        "masters.ha.dark: 0 of the dark's 40 hot pixels are hot in the light (0 % after"
    )
    assert "this stack may have been shifted or already dark-subtracted" in str(caught.value)
    assert "calibrate the single frames" in str(caught.value)
    done = calibrate(moved, **frames, allow_shifted=True)
    assert codes(done) == ["dark-shifted"]


@pytest.mark.parametrize(
    ("facts", "cause"),
    [
        ({"exposure_s": 20.0}, "it was exposed 100 s, the light 20 s"),
        ({"temperature_c": 5.0}, "it was taken at -10 degrees C, the light at 5"),
        ({"file_planes": 1}, "its file has 3 planes, the light's 1"),
    ],
)
def test_a_dark_of_other_lights_is_refused_by_what_differs(facts, cause):
    light, frames, _, _ = night()
    known = {"exposure_s": 100.0, "temperature_c": -10.0, "iso": 800, "file_planes": 3} | facts
    dark = replace(frames["dark"], file_planes=3)
    moved = Frame(pixels=np.roll(light.pixels, (3, 5), axis=(1, 2)), **known)
    with pytest.raises(StepError) as caught:
        calibrate(moved, dark=dark)
    assert f"it may be the dark of other lights ({cause})" in str(caught.value)
    assert "shifted" not in str(caught.value)


def test_a_dark_much_longer_than_stated_is_known_by_faint_hot_pixels():
    light, frames, _, _ = night(exposure=0.1)
    dark = Frame(pixels=frames["dark"].pixels)
    with pytest.raises(
        StepError, match=r"they are there, 0\.1 times as bright as in the dark, which may have"
    ):
        calibrate(Frame(pixels=light.pixels), dark=dark)


def test_an_exposure_that_scaling_takes_care_of_is_no_cause():
    light, frames, _, _ = night()
    moved = Frame(pixels=np.roll(light.pixels, (3, 5), axis=(1, 2)), exposure_s=250.0)
    with pytest.raises(StepError, match="this stack may have been shifted"):
        calibrate(moved, **only(frames, "dark", "bias"), dark_scaling="exposure")


@pytest.mark.parametrize("offset_out", [True, None])
def test_a_flat_without_its_offset_is_left_as_it_is(offset_out):
    light, frames, _, _ = night()
    clean = Frame(pixels=frames["flat"].pixels - frames["bias"].pixels, offset_out=offset_out)
    done = calibrate(light, dark=frames["dark"], flat=clean)
    assert done.notes == ()
    if offset_out:
        again = calibrate(light, **only(frames, "dark", "bias"), flat=clean)
        np.testing.assert_array_equal(done.pixels, again.pixels)
        own = Frame(pixels=frames["bias"].pixels)
        assert codes(calibrate(light, dark=frames["dark"], flat=clean, flat_dark=own)) == ["flat-dark-unused"]


def test_a_dark_subtracted_stack_is_refused():
    light, frames, _, _ = night()
    done = calibrate(light, **only(frames, "dark"), hot_sigma=np.inf)
    with pytest.raises(StepError, match="already dark-subtracted"):
        calibrate(Frame(pixels=done.pixels), **frames)


def test_a_dark_subtracted_stack_without_hot_pixels_is_known_by_its_level():
    rng = np.random.default_rng(5)
    dark = Frame(pixels=(160.0 + rng.standard_normal((1, *SHAPE))).astype(np.float32))
    light = Frame(pixels=(20.0 + rng.standard_normal((1, *SHAPE))).astype(np.float32))
    with pytest.raises(StepError, match="below 0: this stack may have been dark-subtracted already"):
        calibrate(light, dark=dark)
    assert "light-below-dark" in codes(calibrate(light, dark=dark, allow_shifted=True))


def test_a_dark_a_little_too_strong_is_only_told():
    rng = np.random.default_rng(6)
    dark = Frame(pixels=(160.0 + rng.standard_normal((1, *SHAPE))).astype(np.float32))
    light = Frame(pixels=(158.0 + rng.standard_normal((1, *SHAPE))).astype(np.float32))
    assert "light-below-dark" in codes(calibrate(light, dark=dark))


def test_borders_betray_a_shifted_stack_when_hot_pixels_are_too_few():
    rng = np.random.default_rng(7)
    dark = (160.0 + rng.standard_normal((1, *SHAPE))).astype(np.float32)
    light = dark + 300.0
    plain = calibrate(Frame(pixels=light), dark=Frame(pixels=dark))
    assert "dark-unproved" in codes(plain)
    light[:, :6] = 0.0
    with pytest.raises(StepError, match=r"borders without data \(5\.0 % of it\)"):
        calibrate(Frame(pixels=light), dark=Frame(pixels=dark))


def test_stars_on_hot_places_do_not_pass_for_hot_pixels():
    light, frames, _, _ = night()
    rng = np.random.default_rng(8)
    moved = np.roll(light.pixels[0], (3, 5), axis=(0, 1))
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    for cx, cy in rng.uniform(5, 110, (60, 2)):
        moved = moved + 2000.0 * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / 4.0)
    evidence = dark_fits(moved.astype(np.float32), frames["dark"].pixels[0])
    assert evidence.enough
    assert not evidence.fits
    assert evidence.share < 0.2


def test_a_dark_of_another_temperature_still_fits():
    light, frames, _, _ = night(exposure=0.4)
    assert dark_fits(light.pixels[0], frames["dark"].pixels[0]).share == pytest.approx(1.0)


def test_saturated_pixels_are_those_of_the_raw_light():
    light, frames, _, _ = night()
    pixels = light.pixels.copy()
    pixels[0, 50:54, 50:55] = 4000.0
    done = calibrate(Frame(pixels=pixels), **frames)
    assert done.saturation == (4000.0,)
    assert np.argwhere(done.has(Fault.SATURATED)).min(axis=0).tolist() == [50, 50]
    assert done.has(Fault.SATURATED).sum() == 20
    given = calibrate(Frame(pixels=pixels), **frames, saturation=3900.0)
    assert given.has(Fault.SATURATED).sum() == 20


def test_no_frames_leave_a_clean_light_alone_and_missing_pixels_missing():
    rng = np.random.default_rng(9)
    pixels = rng.normal(0.1, 0.01, (1, *SHAPE)).astype(np.float32)
    pixels[0, 3, 3] = np.nan
    pixels[0, 70, 70] = 1.0
    done = calibrate(Frame(pixels=pixels))
    same = np.ones(SHAPE, dtype=bool)
    same[70, 70] = False
    np.testing.assert_array_equal(done.pixels[0][same], pixels[0][same])
    assert done.pixels[0, 70, 70] < 0.2
    assert np.argwhere(done.has(Fault.REPAIRED)).tolist() == [[70, 70]]
    assert (done.dark_factor, done.flat_norm, done.notes) == (None, (), ())


def test_inputs_are_not_changed_and_threads_do_not_matter():
    light, frames, _, _ = night(planes=3)
    for frame in (light, *frames.values()):
        frame.pixels.flags.writeable = False
    with limit_threads(1):
        one = calibrate(light, **frames)
    with limit_threads(3):
        many = calibrate(light, **frames)
    assert one.pixels.tobytes() == many.pixels.tobytes()
    assert one.pixels.dtype == np.float32


def test_a_hot_pixel_does_not_hide_that_a_flat_is_overexposed():
    rng = np.random.default_rng(8)
    light = rng.normal(0.2, 0.01, (1, 760, 760)).astype(np.float32)
    flat = np.minimum(rng.normal(0.9, 0.05, light.shape), 0.95).astype(np.float32)
    # of a frame of this size every other row is sampled at most
    flat[0, 77, 60] = 1.0
    sound = rng.normal(0.5, 0.01, light.shape).astype(np.float32)
    for pixels, told in ((flat, True), (sound, False)):
        notes = calibrate(Frame(pixels=light), flat=Frame(pixels=pixels)).notes
        assert any(code == "flat-saturated" for code, _ in notes) is told
