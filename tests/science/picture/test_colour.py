"""Laws and closed forms of light, luminance, gamut and colour spaces."""

import numpy as np
import pytest

from blend.base.rowblocks import limit_threads
from blend.science.picture.colour import (
    GamutCount,
    ballesteros_temperature,
    black_body_rgb,
    display_luminance,
    luminance,
    replace_luminance,
    set_display_luminance,
    star_rgb,
)
from blend.science.picture.colourspace import (
    ciede2000,
    lab_to_linear_block,
    linear_to_lab,
    linear_to_oklab,
    oklab_to_linear_block,
    srgb_decode,
    srgb_encode,
)

METHODS = ["ratio", "cielab", "oklab"]


def _light(shape=(3, 40, 50), seed=1):
    return np.random.default_rng(seed).uniform(0.02, 0.6, shape)


def test_decoding_undoes_encoding():
    light = np.linspace(-1.5, 1.5, 3001)
    # float64 roundings, but the two published thresholds, .0031308 and .04045, meet only to 3e-8 of light.
    assert np.abs(srgb_decode(srgb_encode(light)) - light).max() < 5e-8


def test_encoding_keeps_order_and_single_precision_follows_double():
    light = np.linspace(0, 1, 100_001)
    code = srgb_encode(light.astype(np.float32))
    assert code.dtype == np.float32
    assert np.all(np.diff(code) >= -6e-8)
    # Four float32 roundings of numbers near 1.
    assert np.abs(code - srgb_encode(light)).max() < 4e-7
    assert np.abs(srgb_decode(code) - light).max() < 1e-6


def test_codes_keep_nan_and_leave_their_input_alone():
    code = np.array([[0.2, np.nan], [-0.3, 1.2]], dtype=np.float32)
    code.flags.writeable = False
    result = srgb_decode(code)
    assert np.isnan(result[0, 1])
    assert np.isnan(result).sum() == 1
    assert result[1, 0] < 0


@pytest.mark.parametrize(
    ("forth", "back"), [(linear_to_lab, lab_to_linear_block), (linear_to_oklab, oklab_to_linear_block)]
)
def test_a_colour_space_is_undone(forth, back):
    rgb = np.random.default_rng(2).uniform(-0.1, 1.3, (3, 500))
    # float64 roundings through two matrices and a cube.
    assert np.abs(back(forth(rgb)) - rgb).max() < 1e-12
    single = rgb.astype(np.float32)
    assert back(forth(single)).dtype == np.float32
    assert np.abs(back(forth(single)) - rgb).max() < 5e-6


@pytest.mark.parametrize("space", [linear_to_lab, linear_to_oklab])
def test_grey_has_no_chroma(space):
    grey = np.broadcast_to(np.linspace(0.01, 1, 50), (3, 50))
    # OKLab's published digits make white neutral to 4e-8 only.
    assert np.abs(space(grey)[1:]).max() < 1e-7


@pytest.mark.parametrize("method", METHODS)
def test_the_new_luminance_is_the_one_asked_for(method):
    rgb = _light()
    wanted = luminance(rgb) * np.random.default_rng(3).uniform(0.3, 3.0, rgb.shape[1:])
    result = replace_luminance(rgb, wanted, method=method)
    # Newton's last step in OKLab leaves less than a millionth; CIELAB's Y has more digits than BT.709's.
    assert np.abs(luminance(result) / wanted - 1).max() < (2e-4 if method == "cielab" else 1e-6)


@pytest.mark.parametrize("method", METHODS)
def test_the_same_luminance_changes_nothing(method):
    rgb = _light()
    assert np.abs(replace_luminance(rgb, luminance(rgb), method=method) - rgb).max() < 1e-12


def test_each_method_keeps_what_it_promises():
    rgb = _light()
    wanted = luminance(rgb) * 1.3
    by_ratio = replace_luminance(rgb, wanted, method="ratio")
    assert np.allclose(by_ratio / by_ratio[0], rgb / rgb[0], rtol=1e-12)
    by_lab = replace_luminance(rgb, wanted, method="cielab")
    assert np.allclose(linear_to_lab(by_lab)[1:], linear_to_lab(rgb)[1:], atol=1e-10)
    by_oklab = replace_luminance(rgb, wanted, method="oklab")
    assert np.allclose(linear_to_oklab(by_oklab)[1:], linear_to_oklab(rgb)[1:], atol=1e-12)


@pytest.mark.parametrize("method", METHODS)
def test_light_below_the_floor_is_shifted_without_colour(method):
    rng = np.random.default_rng(4)
    rgb = rng.normal(0, 1e-3, (3, 30, 30))
    wanted = luminance(rgb) + 0.01
    result = replace_luminance(rgb, wanted, method=method, floor=5e-3)
    # Sky noise stays as large as it was: a plain ratio would multiply it by hundreds.
    assert np.abs((result - wanted) - (rgb - luminance(rgb))).max() < 1e-12
    assert np.abs(luminance(result) - wanted).max() < 1e-12


def test_replacing_is_continuous_across_the_floor():
    scale = np.linspace(0.5, 3, 2001)
    rgb = np.array([0.3, 0.1, 0.05])[:, None] * scale * 0.01 / 0.13891
    result = replace_luminance(rgb, luminance(rgb) + 0.02, floor=0.01)
    # Neighbours differ by 1/800 of the floor; a jump would be of the size of the colour, 0.02.
    assert np.abs(np.diff(result, axis=1)).max() < 1e-4


def test_the_gamut_costs_chroma_and_no_luminance():
    rgb = np.random.default_rng(5).uniform(-0.3, 1.6, (3, 40, 40))
    counted = GamutCount()
    result, share = counted.fit(rgb), counted.share
    y = luminance(rgb)
    outside = (rgb < 0).any(axis=0) | (rgb > 1).any(axis=0)
    assert share == pytest.approx(outside.mean())
    assert result.min() >= 0
    assert result.max() <= 1
    showable = (y > 0) & (y < 1)
    assert np.abs(luminance(result) - y)[showable].max() < 1e-12
    # On the line to grey: differences of planes shrink by one factor, so their ratio stays.
    a, b = rgb - y, result - luminance(result)
    cross = a[0] * b[1] - a[1] * b[0]
    assert np.abs(cross[showable]).max() < 1e-12
    assert np.all(result[:, ~outside] == rgb[:, ~outside])
    # The least loss: a pixel that was outside touches the gamut's wall.
    touched = (np.isclose(result, 0, atol=1e-9) | np.isclose(result, 1, atol=1e-9)).any(axis=0)
    assert touched[outside].all()


def test_what_is_brighter_than_white_is_white():
    result = GamutCount().fit(np.array([[3.0], [1.5], [0.2]]))
    assert np.allclose(result, 1.0)


@pytest.mark.parametrize("method", METHODS)
def test_a_display_picture_gets_its_luminance(method):
    code = np.random.default_rng(6).uniform(0.05, 0.9, (3, 30, 40)).astype(np.float32)
    code.flags.writeable = False
    wanted = np.clip(display_luminance(code) * 1.2, 0, 1)
    result, share = set_display_luminance(code, wanted, method=method)
    assert result.dtype == np.float32
    assert 0 < share < 1
    # float32 through decode, replace and encode; CIELAB's Y as above, half of it as a code value.
    assert np.abs(display_luminance(result) - wanted).max() < (1e-4 if method == "cielab" else 5e-6)
    assert result.min() >= 0
    assert result.max() <= 1


def test_one_missing_pixel_stays_one_and_threads_change_nothing():
    code = np.random.default_rng(7).uniform(0, 1, (3, 100, 300)).astype(np.float32)
    code[1, 20, 30] = np.nan
    wanted = np.random.default_rng(8).uniform(0, 1, (100, 300)).astype(np.float32)
    for method in METHODS:
        with limit_threads(1):
            one = set_display_luminance(code, wanted, method=method)
        with limit_threads(3):
            three = set_display_luminance(code, wanted, method=method)
        assert np.array_equal(one[0], three[0], equal_nan=True)
        assert one[1] == three[1]
        missing = np.isnan(one[0]).all(axis=0)
        assert missing.sum() == 1
        assert missing[20, 30]
        assert np.isnan(one[0]).sum() == 3


def test_stars_grow_redder_with_colour_index():
    rgb = np.array([star_rgb(b_v) for b_v in np.linspace(-0.3, 2.0, 30)])
    assert np.all(np.diff(rgb[:, 0]) > 0)
    assert np.all(np.diff(rgb[:, 2]) < 0)
    assert np.all(rgb[:, 1] == 1)


def test_values_out_of_range_are_refused():
    with pytest.raises(ValueError, match="1667"):
        black_body_rgb(1000)
    with pytest.raises(ValueError, match="outside"):
        ballesteros_temperature(-0.7)
    with pytest.raises(ValueError, match="three planes"):
        luminance(np.zeros((4, 4)))
    with pytest.raises(ValueError, match="not one of ratio, cielab, oklab"):
        replace_luminance(np.zeros((3, 1)), np.zeros(1), method="hsv")


def test_a_colour_differs_from_itself_by_nothing():
    lab = linear_to_lab(_light())
    assert np.all(ciede2000(lab, lab) == 0)
    assert ciede2000(lab, lab + 0.1).shape == (40, 50)


def test_code_values_of_float32_are_those_of_the_standard():
    # 4e-7: float32 holds 6e-8 near 1, and five roundings meet in the power.
    values = np.linspace(0.0, 1.0, 200_001).astype(np.float32)
    exact = values.astype(np.float64)
    light = np.where(exact <= 0.04045, exact / 12.92, ((exact + 0.055) / 1.055) ** 2.4)
    code = np.where(exact <= 0.0031308, exact * 12.92, 1.055 * exact ** (1 / 2.4) - 0.055)
    np.testing.assert_allclose(srgb_decode(values), light, rtol=1e-6, atol=1e-9)
    np.testing.assert_allclose(srgb_encode(values), code, rtol=0, atol=4e-7)
    ends = np.array([0.0, 1.0], dtype=np.float32)
    assert srgb_decode(ends).tolist() == srgb_encode(ends).tolist() == [0.0, 1.0]


def test_a_value_is_encoded_alike_whatever_stands_beside_it():
    values = np.array([0.3, 0.7, 1.5, np.nan, -0.2], dtype=np.float32)
    for function in (srgb_encode, srgb_decode):
        alone = [function(values[i : i + 1])[0] for i in range(len(values))]
        np.testing.assert_array_equal(function(values), alone)


def test_a_pixel_whose_luminance_stays_keeps_its_bits():
    rng = np.random.default_rng(2)
    code = rng.uniform(0.0, 1.0, (3, 40, 50)).astype(np.float32)
    code[:, 0, 0] = np.nan
    wanted = display_luminance(code)
    wanted[10:20] *= np.float32(0.9)
    result, share = set_display_luminance(code, wanted)
    kept = np.ones((40, 50), dtype=bool)
    kept[10:20] = False
    np.testing.assert_array_equal(result[:, kept], code[:, kept])
    np.testing.assert_allclose(display_luminance(result)[~kept], wanted[~kept], atol=1e-6)
    known = set_display_luminance(code, wanted, y_old=display_luminance(code))
    np.testing.assert_array_equal(known[0], result)
    assert known[1] == share == 0.0


def test_a_colour_out_of_gamut_is_brought_in_though_its_luminance_stays():
    code = np.array([1.2, 0.2, 0.2], dtype=np.float32).reshape(3, 1, 1)
    result, share = set_display_luminance(code, display_luminance(code))
    assert share == 1.0
    assert result.max() <= 1.0
