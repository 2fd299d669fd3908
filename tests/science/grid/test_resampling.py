"""Resampling by its laws: what the kernel must keep, what a hole may touch, where there is data."""

import numpy as np
import pytest

from blend.base.master import Flag
from blend.base.rowblocks import limit_threads
from blend.science.grid.lanczos import lanczos, weight_table
from blend.science.grid.resampling import full_coverage_box, noise_factor, resample
from blend.science.picture.holes import find_holes

NO_DATA, REPAIRED, SATURATED = (np.uint8(flag) for flag in (Flag.NO_DATA, Flag.REPAIRED, Flag.SATURATED))


def covered(flags):
    return (flags & np.uint8(Flag.NO_DATA)) == 0


def shift(dx, dy):
    return np.array([[1.0, 0.0, dx], [0.0, 1.0, dy], [0.0, 0.0, 1.0]])


def turn(degrees, scale=1.0, dx=0.0, dy=0.0):
    c, s = scale * np.cos(np.deg2rad(degrees)), scale * np.sin(np.deg2rad(degrees))
    return np.array([[c, -s, dx], [s, c, dy], [0.0, 0.0, 1.0]])


def picture(rows=70, columns=90, planes=1, seed=1):
    pixels = np.random.default_rng(seed).normal(0.1, 0.02, (planes, rows, columns)).astype(np.float32)
    return pixels, np.zeros((rows, columns), dtype=np.uint8)


def gaussian(rows, columns, x, y, fwhm):
    j, i = np.mgrid[:rows, :columns]
    return np.exp(-4 * np.log(2) * ((i - x) ** 2 + (j - y) ** 2) / fwhm**2).astype(np.float32)


def slow_resample(plane, matrix, shape):
    """The definition, one pixel at a time: weights over the 6 x 6 support, divided by their sum, floored."""
    out = np.full(shape, np.nan)
    inverse = np.linalg.inv(matrix)
    for y in range(shape[0]):
        for x in range(shape[1]):
            u, v, d = inverse @ [x, y, 1.0]
            u, v = u / d, v / d
            i, j = int(np.floor(u)) + np.arange(-2, 4), int(np.floor(v)) + np.arange(-2, 4)
            if i[0] < 0 or j[0] < 0 or i[-1] >= plane.shape[1] or j[-1] >= plane.shape[0]:
                continue
            weights = lanczos(j - v)[:, None] * lanczos(i - u)[None, :]
            support = plane[np.ix_(j, i)].astype(float)
            out[y, x] = max((weights * support).sum() / weights.sum(), support.min())
    return out


@pytest.mark.parametrize(
    "matrix",
    [
        shift(3.3, -2.6),
        turn(33.0, dx=30.0, dy=-20.0),
        np.diag([-1.0, 1.0, 1.0]) + shift(47.0, 0.4) - np.eye(3),
        np.array([[1.02, 0.03, -4.0], [-0.02, 0.99, 3.0], [2e-4, -1e-4, 1.0]]),
    ],
    ids=["shift", "rotation", "mirror", "projective"],
)
def test_equals_the_definition_pixel_by_pixel(matrix):
    pixels, flags = picture(40, 50)
    out, _ = resample(pixels, flags, matrix, (45, 48))
    wanted = slow_resample(pixels[0], matrix, (45, 48))
    both = np.isfinite(wanted) & np.isfinite(out[0])
    assert both.sum() > 500
    # The table holds 4096 positions a pixel: at worst 1/8192 px off, times the slope of noise of sigma 0.02.
    np.testing.assert_allclose(out[0][both], wanted[both], atol=3e-5)


def test_identity_returns_the_inputs_themselves():
    pixels, flags = picture()
    out, out_flags = resample(pixels, flags, np.eye(3), flags.shape)
    assert out is pixels and out_flags is flags


def test_whole_pixel_shift_moves_values_unchanged():
    pixels, flags = picture()
    out, out_flags = resample(pixels, flags, shift(5, -3), flags.shape)
    np.testing.assert_allclose(out[0, :-3, 5:], pixels[0, 3:, :-5], atol=1e-7)
    assert covered(out_flags)[:-3, 5:].all()
    assert not covered(out_flags)[-3:].any() and not covered(out_flags)[:, :5].any()


@pytest.mark.parametrize("scale", [0.4, 0.7, 1.0, 1.7])
def test_constant_sky_stays_constant_at_every_scale(scale):
    flags = np.zeros((60, 80), dtype=np.uint8)
    out, out_flags = resample(
        np.full((1, 60, 80), 0.0625, np.float32), flags, turn(10, scale, 5, 2), (60, 80)
    )
    assert covered(out_flags).sum() > 500
    # Float32 sums of 36 terms: a few units in the last place.
    np.testing.assert_allclose(out[0][covered(out_flags)], 0.0625, rtol=1e-6)


def test_there_and_back_keeps_a_star():
    star = gaussian(64, 64, 30.3, 31.7, 3.5)[None]
    flags = np.zeros((64, 64), dtype=np.uint8)
    there = turn(20, dx=15, dy=-8)
    out, out_flags = resample(star, flags, there, (64, 64))
    back, _ = resample(out, out_flags, np.linalg.inv(there), (64, 64))
    # The kernel errs on a Gaussian of FWHM 3.5 px by at most 0.6 % of its peak along each axis, each time.
    assert np.nanmax(np.abs(back - star)) < 2 * 2 * 0.006


def test_star_lands_where_the_matrix_puts_it():
    matrix = turn(-47, 1.6, 20.0, 70.0)
    out, _ = resample(
        gaussian(64, 64, 30.25, 33.5, 4.0)[None], np.zeros((64, 64), np.uint8), matrix, (160, 180)
    )
    j, i = np.mgrid[:160, :180]
    light = np.nan_to_num(out[0]).clip(0)
    place = np.array([(light * i).sum(), (light * j).sum()]) / light.sum()
    # A hundredth of a pixel: the flux that falls outside the frame's edge is below 1e-6.
    np.testing.assert_allclose(place, (matrix @ [30.25, 33.5, 1.0])[:2], atol=0.01)


def test_surface_brightness_is_kept_so_flux_grows_with_area():
    out, _ = resample(
        gaussian(60, 60, 30, 30, 5.0)[None], np.zeros((60, 60), np.uint8), turn(0, 2.0), (120, 120)
    )
    flux = float(np.nansum(out, dtype=np.float64)) / float(
        gaussian(60, 60, 30, 30, 5.0).sum(dtype=np.float64)
    )
    assert flux == pytest.approx(4.0, rel=1e-3)


def test_shrinking_averages_fine_stripes_instead_of_folding_them():
    stripes = np.tile(np.float32([0.0, 1.0]), (80, 60))[None]
    out, out_flags = resample(stripes, np.zeros((80, 120), np.uint8), np.diag([0.4, 0.4, 1.0]), (32, 48))
    inner = out[0, 6:-6, 8:-8]
    assert covered(out_flags)[6:-6, 8:-8].all()
    # Without widening the stripes come back at full height; the wider kernel passes 2 % of them.
    assert np.abs(inner - 0.5).max() < 0.05


def test_one_nan_stays_local_and_its_neighbours_are_not_darkened():
    pixels = np.full((1, 40, 40), 0.3, np.float32)
    pixels[0, 20, 20] = np.nan
    out, out_flags = resample(pixels, np.zeros((40, 40), np.uint8), shift(0.4, 0.4), (40, 40))
    inner = covered(out_flags)[3:-3, 3:-3]
    assert 1 <= (~inner).sum() <= 4
    assert np.array_equal(~np.isfinite(out[0]), ~covered(out_flags))
    np.testing.assert_allclose(out[0][covered(out_flags)], 0.3, rtol=1e-6)


def test_a_flagged_value_is_not_used_though_it_is_finite():
    pixels, flags = np.full((2, 40, 40), 0.3, np.float32), np.zeros((40, 40), np.uint8)
    pixels[:, 20, 20] = 50.0
    flags[20, 20] = NO_DATA
    out, _ = resample(pixels, flags, shift(0.3, 0.1), (40, 40))
    assert np.nanmax(out) == pytest.approx(0.3, rel=1e-6)


def test_a_hot_pixel_leaves_no_dark_ring():
    pixels, flags = picture()
    pixels[0, 30, 40] = 5.0
    out, _ = resample(pixels, flags, shift(0.5, 0.5), flags.shape)
    assert np.nanmin(out) >= pixels.min()
    raw, _ = resample(pixels, flags, shift(0.5, 0.5), flags.shape, low_floor=False)
    assert np.nanmin(raw) < -0.3


def test_the_floor_leaves_the_sky_unbiased():
    pixels, flags = picture(200, 200)
    out, _ = resample(pixels, flags, shift(0.5, 0.5), flags.shape)
    raw, _ = resample(pixels, flags, shift(0.5, 0.5), flags.shape, low_floor=False)
    # 0.001 sigma is what a floor over the whole 6 x 6 support costs; over 2 x 2 it would be 0.005 and more.
    assert abs(float(np.nanmean(out - raw, dtype=np.float64))) < 0.003 * 0.02


def test_a_saturated_core_does_not_ring():
    pixels = np.full((1, 50, 50), 0.1, np.float32)
    flags = np.zeros((50, 50), np.uint8)
    pixels[0, 20:28, 20:28] = 1.0
    unmarked, _ = resample(pixels, flags, shift(0.5, 0.5), (50, 50))
    assert np.nanmax(unmarked) > 1.1
    flags[20:28, 20:28] = SATURATED
    out, out_flags = resample(pixels, flags, shift(0.5, 0.5), (50, 50))
    assert np.nanmax(out) <= 1.0 + 1e-6 and np.nanmin(out) >= 0.1 - 1e-6
    marked = (out_flags & SATURATED) != 0
    assert marked[21:28, 21:28].all() and 49 <= marked.sum() <= 81


def test_repaired_flag_follows_its_pixel():
    pixels, flags = picture()
    flags[30, 40] = REPAIRED
    _, out_flags = resample(pixels, flags, shift(2, 1), flags.shape)
    assert np.argwhere(out_flags & REPAIRED).tolist() == [[31, 42]]


@pytest.mark.parametrize("scale", [0.5, 1.0])
def test_planes_alone_and_together_and_on_any_number_of_threads_are_the_same_bits(scale):
    pixels, flags = picture(150, 90, planes=3)
    pixels[1, 50, 50] = np.nan
    flags[100, 20:30] = SATURATED
    matrix = turn(7, scale, 3, 4)
    with limit_threads(1):
        one, one_flags = resample(pixels, flags, matrix, (140, 95))
    with limit_threads(3):
        many, many_flags = resample(pixels, flags, matrix, (140, 95))
    assert one.tobytes() == many.tobytes() and one_flags.tobytes() == many_flags.tobytes()
    alone, _ = resample(
        pixels[2:], flags | np.where(np.isnan(pixels[1]), NO_DATA, np.uint8(0)), matrix, (140, 95)
    )
    assert alone[0].tobytes() == many[2].tobytes()


def test_read_only_inputs_are_accepted_and_unchanged():
    pixels, flags = picture()
    before = pixels.copy()
    pixels.flags.writeable = flags.flags.writeable = False
    resample(pixels, flags, shift(0.2, 0.2), flags.shape)
    assert np.array_equal(pixels, before) and not flags.any()


def test_everything_outside_is_no_data():
    pixels, flags = picture()
    out, out_flags = resample(pixels, flags, shift(1e5, 0), flags.shape)
    assert np.isnan(out).all() and not covered(out_flags).any()


def test_a_matrix_without_inverse_is_refused():
    pixels, flags = picture()
    with pytest.raises(ValueError, match="no inverse"):
        resample(pixels, flags, np.zeros((3, 3)), flags.shape)


def test_weights_sum_to_one_at_every_position():
    for shrink in (1.0, 0.7, 0.4):
        np.testing.assert_allclose(weight_table(shrink).sum(axis=1, dtype=np.float64), 1.0, atol=1e-6)


def slow_box(mask):
    """Largest all-true rectangle by trying every one."""
    best = (0, 0, 0, 0)
    for y in range(mask.shape[0]):
        for x in range(mask.shape[1]):
            for h in range(1, mask.shape[0] - y + 1):
                for w in range(1, mask.shape[1] - x + 1):
                    if w * h > best[2] * best[3] and mask[y : y + h, x : x + w].all():
                        best = (x, y, w, h)
    return best


def test_box_has_the_area_of_the_best_of_all_rectangles():
    y, x = np.mgrid[:15, :17]
    for slant in (0.3, 0.9, 1.7, -0.5):
        # Half planes are convex, as the outline of a frame is.
        mask = (y > slant * (x - 6)) & (x + 0.4 * y < 18)
        box = full_coverage_box([mask])
        wanted = slow_box(mask)
        assert box[2] * box[3] == wanted[2] * wanted[3]
        assert mask[box[1] : box[1] + box[3], box[0] : box[0] + box[2]].all()


def test_box_ignores_scattered_bad_pixels_but_not_an_empty_edge():
    rng = np.random.default_rng(4)
    mask = rng.random((300, 400)) > 0.01
    mask[:, 200] = False
    mask[:, :20] = mask[290:] = False
    mask |= find_holes(~mask)
    x, y, w, h = full_coverage_box([mask, np.ones_like(mask)])
    # Holes on the very rim cannot be told from the rim.
    assert 20 <= x <= 24 and y <= 4 and x + w >= 396 and 284 <= y + h <= 290


def test_box_of_frames_that_do_not_meet_is_empty():
    left, right = np.zeros((20, 30), bool), np.zeros((20, 30), bool)
    left[:, :10], right[:, 20:] = True, True
    assert full_coverage_box([left, right]) == (0, 0, 0, 0)
    assert full_coverage_box([~np.zeros((20, 30), bool)]) == (0, 0, 30, 20)


@pytest.mark.parametrize(
    "matrix",
    [shift(0.3, 0.6), turn(20.0), turn(10.0, 0.5), turn(0.0, 0.3), turn(5.0, 2.0)],
    ids=["shift", "turn", "half", "third", "double"],
)
def test_noise_after_resampling_is_as_predicted(matrix):
    shape = (300, 300)
    noise = np.random.default_rng(4).normal(0, 1, (1, *shape)).astype(np.float32)
    out, flags = resample(noise, np.zeros(shape, np.uint8), matrix, shape, low_floor=False)
    inside = np.isfinite(out[0]) & (flags == 0)
    # 1,000 to 90,000 pixels that share their noise with neighbours: sigma to 4 % at worst.
    assert out[0][inside].std() == pytest.approx(noise_factor(matrix, None, shape, shape), rel=0.05)


def test_shrinking_counts_every_pixel_alike():
    """The light of one pixel is the same wherever it falls on the coarser grid, and so is a star's."""
    for scale in (0.5, 0.31):
        sums = []
        for place in range(40, 52):
            plane = np.zeros((1, 96, 96), np.float32)
            plane[0, place, place + 3] = 1.0
            out, _ = resample(plane, np.zeros((96, 96), np.uint8), turn(0.0, scale, 0.2, 0.1), (60, 60))
            sums.append(np.nansum(out) / scale**2)
            assert np.nanmin(out) >= 0
        # exact areas: what remains is the table's rounding to 1/8192 px of a pixel
        np.testing.assert_allclose(sums, 1.0, atol=0.002)
