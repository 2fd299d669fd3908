"""Emission from simulated pairs: none where there is none, all of it where there is some."""

import numpy as np
import pytest

from blend.base.robust import bin_mean
from blend.base.rowblocks import limit_threads
from blend.science.line.continuum import given_scale, match_profiles, matching_blur, scale_from_stars
from blend.science.line.emission import emission_sigma, keep_sharp, line_factor, line_light
from blend.science.line.local_medians import surroundings
from blend.science.line.match_psf import fit_profiles, refine_broad
from blend.science.line.protect import cover_saturated, star_mask
from blend.science.line.significance import LINE_SIGMA, weigh_emission
from blend.science.line.starlight_left import measure_noise
from blend.science.stars.stars import Stars

SCALE = WIDTHS = 0.07


def spot(shape, x, y, fwhm):
    row, column = np.mgrid[: shape[0], : shape[1]]
    s2 = (fwhm / 2.3548) ** 2
    return np.exp(-0.5 * ((column - x) ** 2 + (row - y) ** 2) / s2) / (2 * np.pi * s2)


def add_spot(plane, x, y, flux, fwhm):
    window = (slice(int(max(y - 18, 0)), int(y + 19)), slice(int(max(x - 18, 0)), int(x + 19)))
    plane[window] += flux * spot(plane[window].shape, x - window[1].start, y - window[0].start, fwhm)


def pair(*, seed=1, fwhm=(3.0, 3.8), size=256, knots=(), shift=(0.05, -0.03), stars=50, line_noise=1.0):
    """A disc galaxy with a bright red nucleus among stars of many colours; (x, y, flux) knots of line light.

    The line frame holds 0.07 of the continuum, 8 % more at the nucleus, one star in twenty 25 % more.
    """
    from scipy.ndimage import gaussian_filter

    rng = np.random.default_rng(seed)
    row, column = np.mgrid[:size, :size].astype(float)
    line, broad = np.zeros((size, size)), np.zeros((size, size))
    xy, flux = rng.uniform(4, size - 4, (stars, 2)), 10 ** rng.uniform(3.0, 5.6, stars)
    colour = np.exp(rng.normal(0, 0.03, stars))
    colour[::20] *= 1.25
    for (x, y), f, c in zip(xy, flux, colour, strict=True):
        add_spot(broad, x, y, f, fwhm[1])
        add_spot(line, x + shift[0], y + shift[1], f * c * SCALE, fwhm[0])
    middle = 0.5 * size
    for plane, width, scale, red, (dx, dy) in (
        (broad, fwhm[1], 1.0, 1.0, (0, 0)),
        (line, fwhm[0], SCALE, 1.08, shift),
    ):
        x, y = column - middle - dx, row - middle - dy
        light = 150 * np.exp(-np.hypot(x, y / 0.6) / (0.09 * size)) + 3000 * red * np.exp(-np.hypot(x, y) / 2)
        plane += scale * gaussian_filter(light, width / 2.3548)
    for x, y, f in knots:
        add_spot(line, x + shift[0], y + shift[1], f * SCALE / WIDTHS, np.hypot(fwhm[0], 1.5))
        add_spot(broad, x, y, f, np.hypot(fwhm[1], 1.5))
    line += rng.normal(0, line_noise, line.shape)
    broad += rng.normal(0, 3.0, broad.shape)
    order = np.argsort(-flux)
    return line.astype(np.float32), broad.astype(np.float32), xy[order]


def let_through(light, broad, noise, *, xy=(), kept=None, saturated=None, **settings):
    """The light that a blend gets; ``xy`` are stars without a line."""
    around = tuple(surroundings(plane, fwhm_px=noise.fwhm_px, without=saturated) for plane in (light, broad))
    stars = star_mask(stars_at(broad, xy), broad.shape, fwhm_px=noise.fwhm_px, noise=3.0)
    if saturated is not None:
        stars = cover_saturated(stars, saturated, fwhm_px=noise.fwhm_px)
    weight, _ = weigh_emission(light, broad, noise, around=around, stars=stars, **settings)
    return (light if kept is None else kept) * weight


def stars_at(broad, xy):
    """Stars as bright as the plane shows them."""
    xy = np.asarray(xy, dtype=float).reshape(-1, 2)
    column, row = np.clip(np.rint(xy).astype(int), 0, np.array(broad.shape[::-1]) - 1).T
    peak = np.nan_to_num(broad[row, column]).astype(float)
    rest = {name: np.ones(len(xy)) for name in ("flux", "flux_error", "fwhm_px", "elongation")}
    return Stars(xy=xy, peak=peak, saturated=np.zeros(len(xy), dtype=bool), **rest)


def extract(line, broad, xy, fwhm, *, off=0.0, refine=False, saturated=None):
    """The whole step; ``off`` moves the scale by so many of its errors. Returns emission, faded, noise."""
    line, broad = match_profiles(line, broad, fwhm_line=fwhm[0], fwhm_broad=fwhm[1])
    scale = scale_from_stars(line, broad, xy, fwhm_px=max(fwhm))
    if refine:
        broad = refine_broad(broad, fit_profiles(line, broad, scale=scale, fwhm_px=max(fwhm)))
    wrong = scale.value + off * scale.error
    light = line_light(line, broad, scale=wrong, width_ratio=WIDTHS)
    factor = line_factor(wrong, width_ratio=WIDTHS)
    noise = measure_noise(line, broad, scale=scale, factor=factor, fwhm_px=max(fwhm))
    return light, let_through(light, broad, noise, xy=xy, saturated=saturated), noise


@pytest.mark.parametrize("fwhm", [(3.0, 3.8), (4.2, 3.0), (3.4, 3.4)])
@pytest.mark.parametrize("off", [-1.0, 1.0])
@pytest.mark.parametrize("refine", [False, True])
def test_a_line_master_without_a_line_leaves_nothing(fwhm, off, refine):
    """Nucleus, odd stars, 0.06 px of registration, unequal profiles, a scale wrong by its error: no emission.

    Half a sigma of a pixel over 8 x 8 of them is what may still pass for none after a strong stretch.
    """
    light, faded, noise = extract(*pair(fwhm=fwhm), fwhm, off=off, refine=refine)
    assert bin_mean(light, 8).max() > 5 * noise.pixel  # there was something to take away
    assert bin_mean(faded, 8).max() < 0.5 * noise.pixel
    assert (faded == 0).mean() > 0.998


@pytest.mark.parametrize("blur", [0.0, 0.9])
def test_noise_alone_adds_no_structure(blur):
    """White noise, and noise that resampling or demosaicing has smeared."""
    from scipy.ndimage import gaussian_filter

    rng = np.random.default_rng(3)
    line = rng.normal(size=(700, 700))
    line = (gaussian_filter(line, blur) if blur else line).astype(np.float32)
    broad = rng.normal(0, 3, line.shape).astype(np.float32)
    light = line_light(line, broad, scale=SCALE, width_ratio=WIDTHS)
    factor = line_factor(SCALE, width_ratio=WIDTHS)
    noise = measure_noise(line, broad, scale=given_scale(SCALE), factor=factor, fwhm_px=3.0)
    faded = let_through(light, broad, noise)
    # One region in a thousand passes three sigma: less than half a percent of the frame, a few sigma of a pixel each.
    assert (faded == 0).mean() > 0.995
    assert bin_mean(faded, 8).max() < 1.0 * noise.pixel
    assert abs(faded.sum()) < 2e-3 * noise.pixel * faded.size


def test_noise_after_smoothing_is_that_of_white_noise():
    """A Gaussian of width k leaves 1 / (2 sqrt(pi) k): of a star's width, 3 px in bins of 2, 8 px in bins of 4."""
    line = np.random.default_rng(0).normal(size=(800, 800)).astype(np.float32)
    noise = measure_noise(line, np.zeros_like(line), scale=given_scale(0.07), factor=2.0, fwhm_px=3.0)
    assert noise.pixel == pytest.approx(2.0, rel=0.03)
    # 3.0 / 2.3548 = 1.274 px; the taps are averaged over pixels, and a quiet tile is a little below the mean
    assert noise.fine == pytest.approx(2.0 * 0.2214, rel=0.06)
    assert noise.coarse == pytest.approx(2.0 * 0.0940, rel=0.1)
    assert noise.faint == pytest.approx(2.0 * 0.0353, rel=0.15)


def test_a_nebula_that_fills_the_frame_is_no_noise():
    """Folded waves of 300 px and thirty sigma: noise is found as under an empty sky, at 8 px to twice."""
    rng = np.random.default_rng(4)
    row, column = np.mgrid[:800, :800].astype(np.float32)
    waves = [
        np.abs(np.sin(np.pi * (column * c + row * s) / 300)) for c, s in ((0.9, 0.4), (-0.5, 0.8), (0.1, 1))
    ]
    line = (rng.normal(size=(800, 800)) + 30 * np.exp(-sum(waves))).astype(np.float32)
    noise = measure_noise(line, np.zeros_like(line), scale=given_scale(0.07), factor=1.0, fwhm_px=3.0)
    assert noise.pixel == pytest.approx(1.0, rel=0.03)
    assert noise.fine == pytest.approx(0.2214, rel=0.06)
    assert noise.coarse == pytest.approx(0.0940, rel=0.15)
    # Where waves are folded, fourth derivatives remain; first differences found twenty times the noise.
    assert 0.9 * 0.0353 < noise.faint < 2.0 * 0.0353


KNOTS = [(x, y) for x in range(30, 250, 38) for y in (26, 60, 200, 236)]


@pytest.mark.parametrize("flux", [80, 300, 3000])
def test_knots_keep_their_flux_at_any_brightness(flux):
    """S/N about 14, 50 and 500. Told by 48 knots; the median leaves out the one that falls on a bright star."""
    kept = []
    for seed in (1, 2):
        knots = [(x, y, flux) for x, y in KNOTS]
        fwhm = (3.0, 3.8)
        line, broad, xy = pair(seed=seed, knots=knots, stars=12)
        line, broad = match_profiles(line, broad, fwhm_line=fwhm[0], fwhm_broad=fwhm[1])
        light = line_light(line, broad, scale=SCALE, width_ratio=WIDTHS)
        factor = line_factor(SCALE, width_ratio=WIDTHS)
        scale = given_scale(SCALE, error=3e-4, xy=xy)
        noise = measure_noise(line, broad, scale=scale, factor=factor, fwhm_px=3.8)
        faded = let_through(light, broad, noise)
        row, column = np.mgrid[:256, :256]
        kept += [faded[np.hypot(column - x, row - y) < 10].sum() / flux for x, y in KNOTS]
    # the median of 48 at S/N 14 scatters by 1.25 * 0.13 / 7 = 2.3 %
    assert np.median(kept) == pytest.approx(1.0, abs=0.03 + 2 * 1.25 * 10 / flux / 7)


def lone_regions(sigmas, *, sky=0.0, seed=30):
    """What of 81 lone regions passes, the noise under each taken off; ``sky``: the size of an uneven sky, stated."""
    rng, fwhm = np.random.default_rng(seed), 4.0
    empty = rng.normal(size=(520, 520))
    row, column = np.mgrid[:520, :520]
    empty += sky * np.sqrt(2.0) * np.sin(column / 17.0) * np.sqrt(2.0) * np.sin(row / 19.0)
    empty = empty.astype(np.float32)
    broad = rng.normal(0, 3, empty.shape).astype(np.float32)
    light, flux = empty.copy(), sigmas * np.sqrt(4.0 * np.pi) * fwhm / 2.3548
    places = [(x, y) for x in range(43, 500, 53) for y in range(41, 500, 53)]
    for x, y in places:
        add_spot(light, x, y, flux, fwhm)
    noise = measure_noise(light, broad, scale=given_scale(SCALE), factor=1.0, fwhm_px=fwhm)
    unsure = np.full((65, 65), max(sky, 0.03), np.float32)
    passed = let_through(light, broad, noise, unsure=unsure) - empty
    circles = [np.hypot(column - x, row - y) <= 1.5 * fwhm for x, y in places]
    return np.median([passed[circle].sum() / (light - empty)[circle].sum() for circle in circles])


@pytest.mark.parametrize(("sigmas", "sky"), [(30.0, 0.0), (30.0, 0.12), (100.0, 0.065)])
def test_a_regions_surroundings_hold_neither_its_own_light_nor_the_skys_error(sigmas, sky):
    """With both taken off 0.9, 2.3 and 0.5 % are missing: the sky is as often below 0, where no weight adds anything.

    The scatter is 0.1 %.
    """
    assert lone_regions(sigmas, sky=sky) == pytest.approx(1.0, abs=0.003)


def test_faint_wide_nebula_is_found_below_the_noise_of_a_pixel():
    """0.8 sigma a pixel at its middle, 50 px wide: nothing at one pixel, plain at eight."""
    line, broad, xy = pair(stars=12, size=300)
    row, column = np.mgrid[:300, :300]
    nebula = 0.8 * np.exp(-0.5 * ((column - 70) ** 2 + (row - 230) ** 2) / 22.0**2)
    fwhm = (3.0, 3.8)
    light, faded, _ = extract((line + nebula).astype(np.float32), broad, xy, fwhm)
    middle = np.hypot(column - 70, row - 230) < 15
    truth = (nebula * line_factor(SCALE, width_ratio=WIDTHS))[middle].sum()
    assert faded[middle].sum() == pytest.approx(light[middle].sum(), rel=0.1)
    assert faded[middle].sum() == pytest.approx(truth, rel=0.25)  # 700 px of a sky known to 0.05 sigma


def test_a_weight_is_a_share_and_nan_stays_local():
    line, broad, xy = pair(knots=[(60, 60, 3000)])
    line[58, 62] = np.nan
    broad[200:204, 30] = np.nan
    light, faded, noise = extract(line, broad, xy, (3.0, 3.8))
    bad = np.isnan(line) | np.isnan(broad)
    np.testing.assert_array_equal(np.isnan(faded), bad)
    assert (np.abs(faded[~bad]) <= np.abs(light[~bad])).all()
    assert (faded[~bad] * light[~bad] >= 0.0).all()
    np.testing.assert_array_equal(np.isnan(emission_sigma(broad, noise)), np.isnan(broad))


@pytest.mark.parametrize("clipped", ["broad", "line"])
def test_a_saturated_star_leaves_neither_core_nor_ring(clipped):
    fwhm = (3.0, 3.8)
    line, broad, xy = pair()
    for plane, part, width in ((broad, 1.0, fwhm[1]), (line, SCALE, fwhm[0])):
        add_spot(plane, 60.3, 190.2, 2e6 * part, width)
    plane = broad if clipped == "broad" else line
    limit = 0.2 * plane.max()
    saturated = plane >= limit
    np.minimum(plane, limit, out=plane)
    _, bare, noise = extract(line, broad, xy, fwhm)
    _, faded, _ = extract(line, broad, xy, fwhm, saturated=saturated)
    near = (slice(165, 216), slice(35, 86))
    if clipped == "broad":
        assert bin_mean(bare[near], 8).max() > noise.pixel
    assert bin_mean(faded[near], 8).max() < 0.5 * noise.pixel
    assert not faded[saturated].any()


def test_sigma_grows_with_stars_and_is_the_noise_at_the_sky():
    line, broad, xy = pair()
    _, _, noise = extract(line, broad, xy, (3.0, 3.8))
    sigma = emission_sigma(broad, noise)
    # the sky's sigma: the pixel's noise and a little for the colour of noise
    assert np.median(sigma) == pytest.approx(noise.pixel, rel=0.1)
    assert sigma[128, 128] > 5 * noise.pixel


def test_growth_of_the_variance_is_measured():
    """Photon noise: variance 1 + B / 200 planted on a smooth plane."""
    rng = np.random.default_rng(0)
    row, column = np.mgrid[:600, :600]
    truth = 600 * np.exp(-0.5 * ((column - 300) ** 2 + (row - 300) ** 2) / 90.0**2)
    line = (0.07 * truth + rng.normal(size=truth.shape) * np.sqrt(1 + truth / 200)).astype(np.float32)
    broad = (truth + rng.normal(0, 3, truth.shape)).astype(np.float32)
    noise = measure_noise(line, broad, scale=given_scale(0.07), factor=1.0, fwhm_px=3.0)
    assert noise.growth == pytest.approx(1 / 200, rel=0.25)


def test_stars_calibrate_the_registration_error():
    line, broad, xy = pair(shift=(0.15, 0.15), fwhm=(3.4, 3.4))
    _, _, noise = extract(line, broad, xy, (3.4, 3.4))
    factor = line_factor(SCALE, width_ratio=WIDTHS)
    assert noise.stars >= 20
    # Robust size of |0.15| about 0 is 1.48 times it. The slope is taken on the plane blurred by 1 px, which is less
    # steep: for Gaussians of variances a and b the coefficient grows by (2 b / (a + b))^2.
    a = (3.4 / 2.3548) ** 2
    less_steep = (2 * (a + 1) / (2 * a + 1)) ** 2
    assert noise.shift / (factor * SCALE) == pytest.approx(1.48 * 0.15 * less_steep, rel=0.2)


def test_threads_and_read_only_inputs_change_no_bit():
    line, broad, xy = pair(knots=[(60, 60, 3000), (200, 70, 200)])
    for array in (line, broad, xy):
        array.flags.writeable = False
    results = []
    for threads in (1, 3):
        with limit_threads(threads):
            results.append(extract(line, broad, xy, (3.0, 3.8), refine=True)[1])
    np.testing.assert_array_equal(*results)
    assert results[0].any()


def test_no_fading_lets_everything_pass():
    line, broad, xy = pair()
    light, _, noise = extract(line, broad, xy, (3.0, 3.8))
    np.testing.assert_array_equal(let_through(light, broad, noise, fade_sigma=0.0), light)


def test_fade_sigma_moves_the_thresholds_of_regions():
    """A knot of 7 sigma passes at 3; at 6 its peak falls short of 9.6, at 20 nothing but the brightest is left."""
    line, broad, xy = pair(knots=[(60, 60, 42), (200, 70, 600)], stars=12)
    light, _, noise = extract(line, broad, xy, (3.0, 3.8))
    passed = {f: let_through(light, broad, noise, fade_sigma=f) for f in (0.5, 1.0, 3.0, 6.0, 20.0)}
    for kept in passed.values():
        assert (np.abs(kept) <= np.abs(light)).all() and (kept * light >= 0.0).all()
    near = np.hypot(*(np.mgrid[:256, :256] - 60.0)[::-1]) < 4
    assert passed[3.0][near].sum() > 0.5 * light[near].sum() and not passed[6.0][near].any()
    counts = [np.count_nonzero(passed[f]) for f in (0.5, 1.0, 3.0, 6.0, 20.0)]
    assert counts[0] >= counts[1] >= counts[2] > counts[3] > counts[4] > 0


def test_off_band_continuum_holds_no_line():
    """Where the broad plane holds no line, N - s R is a t F alone: only the throughput is divided out."""
    line, broad = np.full((2, 2), 2.4, np.float32), np.full((2, 2), 20.0, np.float32)
    light = line_light(line, broad, scale=0.07, width_ratio=0.07, throughput_ratio=1.25, line_in_band=False)
    np.testing.assert_allclose(light, (2.4 - 1.4) / 1.25, rtol=1e-5)


@pytest.mark.parametrize(
    ("scale", "widths", "throughput"), [(0.0, 0.1, 1.0), (0.1, 0.0, 1.0), (0.1, 1.0, 1.0)]
)
def test_impossible_filters_are_refused(scale, widths, throughput):
    with pytest.raises(ValueError, match="no line light"):
        line_factor(scale, width_ratio=widths, throughput_ratio=throughput)


def test_a_sharper_line_stays_sharp_and_its_stars_leave_no_rings():
    fwhm, knots = (2.6, 3.8), [(85.0, 45.0, 4000.0), (205.0, 175.0, 9000.0)]
    line, broad, xy = pair(fwhm=fwhm, knots=knots, shift=(0.0, 0.0), line_noise=0.3)
    matched, broad = match_profiles(line, broad, fwhm_line=fwhm[0], fwhm_broad=fwhm[1])
    scale = scale_from_stars(matched, broad, xy, fwhm_px=fwhm[1], noise=0.3)
    light = line_light(matched, broad, scale=scale.value, width_ratio=WIDTHS)
    factor = line_factor(scale.value, width_ratio=WIDTHS)
    noise = measure_noise(matched, broad, scale=scale, factor=factor, fwhm_px=fwhm[1])
    stars = np.zeros(line.shape, dtype=np.float32)
    row, column = np.mgrid[: stars.shape[0], : stars.shape[1]]
    for x, y in xy:
        stars[np.hypot(column - x, row - y) < 2.5 * fwhm[1]] = 1.0
    blur_px = matching_blur(fwhm_line=fwhm[0], fwhm_broad=fwhm[1])
    sharp = keep_sharp(light.copy(), line, blur_px=blur_px, factor=factor, stars=stars)
    assert np.array_equal(sharp[stars == 1], light[stars == 1])
    faded, blurred = (let_through(light, broad, noise, kept=kept) for kept in (sharp, None))
    for x, y, flux in knots:
        assert stars[int(y), int(x)] == 0  # no star sits on a knot of this field
        truth = flux * spot(line.shape, x, y, np.hypot(fwhm[0], 1.5))
        core = (slice(int(y) - 1, int(y) + 2), slice(int(x) - 1, int(x) + 2))
        # The blur takes (9 / 16.7) of the peak; noise of nine pixels is 1 % of the fainter one.
        assert faded[core].sum() == pytest.approx(truth[core].sum(), rel=0.06)
        assert blurred[core].sum() < 0.8 * truth[core].sum()
    # The nucleus, a cusp without a line, is not significant: what the blur would take from it stays out.
    assert not faded[124:133, 124:133].any()


def strongest(light, broad, noise, *, stars=None):
    around = tuple(surroundings(plane, fwhm_px=noise.fwhm_px) for plane in (light, broad))
    return weigh_emission(light, broad, noise, around=around, stars=stars)[1]


@pytest.mark.parametrize("blur", [0.0, 0.9])
def test_a_line_is_there_from_what_noise_hardly_reaches(blur):
    """A knot of 9 sigma counts as a line, noise does not; nor does a knot under a star's mask or at an edge."""
    from scipy.ndimage import gaussian_filter

    rng = np.random.default_rng(8)
    plane = rng.normal(size=(400, 400))
    line = (gaussian_filter(plane, blur) if blur else plane).astype(np.float32)
    broad = rng.normal(0, 3, line.shape).astype(np.float32)
    noise = measure_noise(line, broad, scale=given_scale(SCALE), factor=1.0, fwhm_px=3.0)
    assert strongest(line, broad, noise) < LINE_SIGMA
    # the blur by a star's width leaves flux / (4 pi sigma^2) at the peak
    flux = 11.0 * noise.fine * 4.0 * np.pi * (3.0 / 2.3548) ** 2
    for x, y, seen in ((200, 150, True), (8, 150, False)):
        with_knot = line.copy()
        add_spot(with_knot, x, y, flux, 3.0)
        found = strongest(with_knot, broad, noise)
        assert (found > LINE_SIGMA) is seen
        if seen:
            assert found == pytest.approx(11.0, abs=3.0)
            stars = np.zeros_like(line)
            stars[y - 12 : y + 13, x - 12 : x + 13] = 1.0
            assert strongest(with_knot, broad, noise, stars=stars) < LINE_SIGMA
