"""Hot and dead pixels: planted ones are found and filled, stars are not touched."""

import numpy as np
import pytest

from blend.base.rowblocks import limit_threads
from blend.science.plane.badpixels import find_hot_in_dark, find_isolated, repair
from blend.science.plane.noise import TILE, local_noise

SIGMA = 0.01


def noise_plane(shape=(150, 170), seed=1, level=0.2):
    rng = np.random.default_rng(seed)
    return (level + SIGMA * rng.standard_normal(shape)).astype(np.float32)


def planted(shape, count, seed=2):
    """Places at least 4 px apart, so that no two share a 5x5."""
    rng = np.random.default_rng(seed)
    cells = [(y, x) for y in range(4, shape[0] - 4, 8) for x in range(4, shape[1] - 4, 8)]
    chosen = rng.choice(len(cells), count, replace=False)
    return np.array([cells[i] for i in chosen]).T


@pytest.mark.parametrize("sign", [1, -1])
def test_isolated_pixels_are_found_and_nothing_else(sign):
    plane = noise_plane()
    y, x = planted(plane.shape, 40)
    plane[y, x] += np.float32(sign * 20 * SIGMA)
    found = find_isolated(plane)
    truth = np.zeros_like(found)
    truth[y, x] = True
    np.testing.assert_array_equal(found, truth)


@pytest.mark.parametrize("fwhm", [1.6, 2.0, 3.5])
@pytest.mark.parametrize("peak", [0.1, 1.0, 100.0])
def test_a_star_as_sharp_as_1_6_px_survives_at_any_brightness_and_place(fwhm, peak):
    plane = noise_plane(seed=3)
    y, x = np.mgrid[: plane.shape[0], : plane.shape[1]]
    rng = np.random.default_rng(4)
    sigma = fwhm / 2.3548200450309493
    centres = [
        (10 + 16 * i + dx, 10 + 16 * j + dy) for i in range(9) for j in range(8) for dx, dy in [rng.random(2)]
    ]
    centres[0] = (10.0, 10.0)  # the hardest place: the middle of a pixel
    for cx, cy in centres:
        plane += (peak * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / (2 * sigma**2))).astype(np.float32)
    assert not find_isolated(plane).any()


def test_a_hot_pixel_near_a_star_is_told_from_it():
    plane = noise_plane(seed=5)
    y, x = np.mgrid[: plane.shape[0], : plane.shape[1]]
    plane += np.exp(-((x - 60) ** 2 + (y - 60) ** 2) / 4.5).astype(np.float32)
    plane[60, 70] += 0.5
    assert np.argwhere(find_isolated(plane)).tolist() == [[60, 70]]


def test_isolation_agrees_with_the_rule_written_out():
    plane = noise_plane((40, 50), seed=6)
    y, x = planted(plane.shape, 12, seed=7)
    plane[y, x] += np.linspace(4, 16, 12).astype(np.float32) * np.float32(SIGMA)
    noise = local_noise(plane)
    expected = np.zeros(plane.shape, dtype=bool)
    for j in range(2, 38):
        for i in range(2, 48):
            sigma = noise[j // TILE, i // TILE]
            patch = plane[j - 2 : j + 3, i - 2 : i + 3].astype(float)
            eight = np.delete(patch[1:4, 1:4].ravel(), 4)
            ring = np.concatenate([patch[0], patch[4], patch[1:4, 0], patch[1:4, 4]])
            edges = np.array([patch[1, 2], patch[3, 2], patch[2, 1], patch[2, 3]])
            for sign in (1, -1):
                height = sign * (patch[2, 2] - np.median(ring))
                step = (sign * patch[2, 2]) - (sign * eight).max()
                shoulder = sign * (edges.mean() - np.median(ring))
                expected[j, i] |= (
                    height > 8 * sigma
                    and step > np.ptp(eight)
                    and step > 4 * sigma
                    and shoulder < 0.17 * height - 0.75 * sigma
                )
    inner = (slice(2, 38), slice(2, 48))
    assert expected.any()
    np.testing.assert_array_equal(find_isolated(plane)[inner], expected[inner])


def test_hot_pixels_of_a_dark_and_small_groups_are_found_but_no_bright_column():
    dark = noise_plane(seed=8, level=0.0)
    y, x = planted(dark.shape, 30, seed=9)
    dark[y, x] += 0.3
    pair = (y[0], x[0] + 1)
    dark[pair] += 0.3
    dark[:, 168] += 10 * np.float32(SIGMA)
    found = find_hot_in_dark(dark)
    truth = np.zeros_like(found)
    truth[y, x] = True
    truth[pair] = True
    np.testing.assert_array_equal(found, truth)


def test_glow_in_a_corner_is_not_hot():
    y, x = np.mgrid[:160, :200]
    glow = np.exp(-np.hypot(x - 199, y - 159) / 60.0)
    rng = np.random.default_rng(10)
    dark = (glow + np.sqrt(0.01**2 + 1e-4 * glow) * rng.standard_normal(glow.shape)).astype(np.float32)
    # 8 sigma of Gaussian noise; the steep corner itself may cost a few
    assert find_hot_in_dark(dark).sum() <= 5


def test_rounding_to_whole_numbers_makes_nothing_hot():
    """A dark that is 100 in 19 pixels of 20 and 101 in the rest has no spread by the median."""
    rng = np.random.default_rng(11)
    dark = (100.0 + (rng.random((130, 130)) < 0.05)).astype(np.float32)
    dark[20, 30] = 140.0
    assert np.argwhere(find_hot_in_dark(dark)).tolist() == [[20, 30]]


def test_local_noise_follows_the_noise_and_ignores_stars_and_slope():
    rng = np.random.default_rng(12)
    y, x = np.mgrid[:256, :256]
    sigma = np.where(x < 128, 1.0, 3.0)
    plane = (sigma * rng.standard_normal(sigma.shape) + 0.5 * x - 0.2 * y).astype(np.float32)
    plane[::9, ::9] += 500.0
    noise = local_noise(plane)
    assert noise.shape == (4, 4)
    # 512 second differences a square scatter by 8 %; the planted pixels spoil one in nine of them
    np.testing.assert_allclose(noise, np.repeat([[1, 1, 3, 3]], 4, axis=0), rtol=0.35)


def test_nan_stays_out_of_everything():
    plane = noise_plane(seed=13)
    plane[:40] = np.nan
    plane[50, 50] = 5.0
    plane[49, 49] = np.nan
    for search in (find_isolated, find_hot_in_dark):
        assert np.argwhere(search(plane)).tolist() == [[50, 50]]
    assert np.isfinite(local_noise(plane)).all()


def test_an_infinite_limit_finds_nothing_and_zero_is_refused():
    plane = noise_plane()
    plane[9, 9] = 9.0
    assert not find_isolated(plane, hot_sigma=np.inf).any()
    with pytest.raises(ValueError, match="above 0"):
        find_isolated(plane, hot_sigma=0.0)


def test_repair_takes_the_median_of_good_neighbours_and_nothing_from_bad_ones():
    plane = np.arange(49, dtype=np.float32).reshape(7, 7)
    bad = np.zeros((7, 7), dtype=bool)
    bad[3, 3:5] = True
    plane[bad] = 1e6
    before = plane.copy()
    filled, repaired = repair(plane, bad)
    # left: 16 17 18 23 30 31 32, right: 17 18 19 26 31 32 33
    assert filled[3, 3] == 23.0
    assert filled[3, 4] == 26.0
    np.testing.assert_array_equal(repaired, bad)
    np.testing.assert_array_equal(filled[~bad], before[~bad])
    np.testing.assert_array_equal(plane, before)


def test_the_middle_of_a_large_hole_is_no_data():
    plane = np.ones((20, 20), dtype=np.float32)
    bad = np.zeros((20, 20), dtype=bool)
    bad[5:15, 5:15] = True
    filled, repaired = repair(plane, bad)
    assert np.isnan(filled[7:13, 7:13]).all()
    assert not repaired[7:13, 7:13].any()
    assert (filled[repaired] == 1.0).all()


def test_repair_at_corners_and_beside_nan():
    plane = np.full((6, 6), 2.0, dtype=np.float32)
    plane[0, 1] = np.nan
    bad = np.zeros((6, 6), dtype=bool)
    bad[0, 0] = bad[5, 5] = True
    filled, repaired = repair(plane, bad)
    assert filled[5, 5] == 2.0
    assert filled[0, 0] == 2.0  # two good of the 3x3 are too few, seven of the 5x5 are not
    assert repaired.sum() == 2


def test_the_number_of_threads_changes_nothing():
    plane = noise_plane((200, 90), seed=14)
    plane[planted(plane.shape, 20)[0], planted(plane.shape, 20)[1]] += 1.0
    with limit_threads(1):
        one = (local_noise(plane), find_isolated(plane), find_hot_in_dark(plane))
    with limit_threads(3):
        many = (local_noise(plane), find_isolated(plane), find_hot_in_dark(plane))
    for first, second in zip(one, many, strict=True):
        assert first.tobytes() == second.tobytes()


def test_read_only_and_big_endian_planes_are_taken():
    plane = noise_plane(seed=15)
    plane[30, 30] = 3.0
    plane.flags.writeable = False
    swapped = plane.astype(">f4")
    np.testing.assert_array_equal(find_isolated(plane), find_isolated(swapped))
    assert repair(plane, find_isolated(plane))[0][30, 30] < 0.3


def test_two_neighbours_are_too_few_and_the_wider_ring_is_asked():
    plane = np.full((5, 5), 1.0, dtype=np.float32)
    plane[1:4, 1:4] = 9.0
    bad = np.zeros((5, 5), dtype=bool)
    bad[1:4, 1:4] = True
    bad[1, 1:3] = False
    filled, _ = repair(plane, bad)
    # two nines in the 3x3, against sixteen ones in the ring
    assert filled[2, 2] == 1.0


def stars_on_a_grid(shape, fwhm, peak, seed):
    """Stars 24 px apart at any place in their pixel, up to a quarter longer than wide, with photon noise."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[: shape[0], : shape[1]]
    plane = np.zeros(shape)
    centres = [(16 + 24 * j, 16 + 24 * i) for j in range(shape[0] // 24) for i in range(shape[1] // 24)]
    for cy, cx in centres:
        dy, dx = rng.random(2)
        long = 1.0 - 0.2 * rng.random()
        square = (x - cx - dx) ** 2 + ((y - cy - dy) / long) ** 2
        plane += peak * np.exp(-4.0 * np.log(2.0) * square / fwhm**2)
    sigma = np.sqrt(SIGMA**2 + 1e-6 * plane)
    return (plane + sigma * rng.standard_normal(shape)).astype(np.float32), centres


@pytest.mark.parametrize("fwhm", [1.6, 2.5, 3.0, 3.6, 4.7, 6.0])
@pytest.mark.parametrize("peak", [10 * SIGMA, 1.0, 100.0])
def test_stars_of_the_frame_are_no_marks_even_where_the_width_is_told_a_tenth_too_large(fwhm, peak):
    plane, _ = stars_on_a_grid((200, 200), fwhm, peak, seed=16)
    assert not find_isolated(plane, fwhm_px=1.1 * fwhm).any()


def test_a_flat_saturated_core_is_no_mark():
    plane, _ = stars_on_a_grid((150, 150), 4.0, 5.0, seed=17)
    assert not find_isolated(np.minimum(plane, np.float32(1.0)), fwhm_px=4.0).any()


@pytest.mark.parametrize(
    "shape",
    [
        [(0, 0), (0, 1)],
        [(0, 0), (1, 1)],
        [(0, 0), (0, 1), (0, 2)],
        [(0, 0), (0, 1), (0, 2), (0, 3)],
        [(0, 0), (0, 1), (1, 0), (1, 1)],
    ],
)
@pytest.mark.parametrize("height", [20 * SIGMA, 1.0, 50.0])
def test_marks_of_two_to_four_pixels_are_found_where_stars_are_wide(shape, height):
    plane, centres = stars_on_a_grid((160, 160), 4.7, 1.0, seed=18)
    truth = np.zeros(plane.shape, dtype=bool)
    for cy, cx in centres:
        for dy, dx in shape:
            truth[cy + 12 + dy, cx + 12 + dx] = True
    plane[truth] += np.float32(height)
    np.testing.assert_array_equal(find_isolated(plane, fwhm_px=4.7), truth)
    # a pair may be a star where stars can be as sharp as that, or where nobody knows
    for unsure in (None, 2.0, float("nan")):
        assert not find_isolated(plane, fwhm_px=unsure).any()


def test_the_rule_for_marks_agrees_with_the_rule_written_out():
    rng = np.random.default_rng(19)
    plane = noise_plane((60, 70), seed=20)
    for j, i in rng.integers(4, 55, (40, 2)):
        plane[j : j + 2, i : i + 2] += np.float32(rng.uniform(4, 20) * SIGMA)
    noise = local_noise(plane)
    share = 0.5 * np.exp(-4.0 * np.log(2.0) * 5.5 / (0.75 * 5.0) ** 2)
    expected = find_isolated(plane)
    box = np.maximum(*np.abs(np.mgrid[-3:4, -3:4]))
    for j in range(3, 57):
        for i in range(3, 67):
            p, sigma = float(plane[j, i]), noise[j // TILE, i // TILE]
            patch = plane[j - 3 : j + 4, i - 3 : i + 4].astype(float)
            ring, sky = np.sort(patch[box == 2]), np.median(patch[box == 3])
            cross = [plane[j, i - 2], plane[j, i + 2], plane[j - 2, i], plane[j + 2, i]]
            expected[j, i] |= (
                sum(p - v > 4 * sigma for v in cross) >= 3
                and p - sky > 8 * sigma
                and np.median(ring) - sky < share * (p - sky) - sigma
                and p - np.median(ring) > 3 * (ring[13] - ring[2])
            )
    assert expected.sum() > find_isolated(plane).sum()
    np.testing.assert_array_equal(find_isolated(plane, fwhm_px=5.0), expected)


@pytest.mark.parametrize(("shape", "share"), [((70, 100), 0.02), ((6, 90), 0.3)])
def test_hot_pixels_beside_cold_ones_at_the_sides_and_beside_nan_are_found_as_written_out(shape, share):
    """The quick test before the median must let through all that the median would find."""
    rng = np.random.default_rng(21)
    dark = noise_plane(shape, seed=22)
    hot = rng.random(dark.shape) < share
    dark[hot] += 0.3
    dark[rng.random(dark.shape) < 0.02] -= 0.5
    dark[40:, 70:100][rng.random(dark[40:, 70:100].shape) < 0.3] = np.nan
    noise = np.full((2, 2), SIGMA, dtype=np.float32)

    def median_of(values):
        values = np.array([v for v in values if v == v])
        return np.median(values), values.size

    expected = np.zeros(dark.shape, dtype=bool)
    rows, columns = dark.shape
    for y, x in np.argwhere(np.isfinite(dark)):
        limit = np.float32(8.0) * noise[y // TILE, x // TILE]
        five = [
            dark[j, i]
            for j in range(max(0, y - 2), min(rows, y + 3))
            for i in range(max(0, x - 2), min(columns, x + 3))
            if (j, i) != (y, x)
        ]
        middle, count = median_of(five)
        if count < 5 or not dark[y, x] - middle > limit:
            continue
        lines = ([(y + s, x) for s in (-4, -3, -2, 2, 3, 4)], [(y, x + s) for s in (-4, -3, -2, 2, 3, 4)])
        alone = True
        for line in lines:
            middle, count = median_of([dark[j, i] for j, i in line if 0 <= j < rows and 0 <= i < columns])
            alone &= count < 3 or dark[y, x] - middle > limit
        expected[y, x] = alone
    assert expected.sum() > 15
    np.testing.assert_array_equal(find_hot_in_dark(dark, noise=noise), expected)


def test_a_hot_pixel_between_two_bright_columns_is_found():
    """Ten of its 24 neighbours are as bright as it: the median does not see them, nor must the quick test."""
    dark = noise_plane((90, 100), seed=23)
    dark[:, [40, 42]] += 0.3
    dark[30, 41] += 0.3
    assert np.argwhere(find_hot_in_dark(dark)).tolist() == [[30, 41]]
