"""Stars by planted truth: places, widths, fluxes, and what must not pass for a star."""

import numpy as np
import pytest

from blend.science.stars.stars import Stars, find_stars, fwhm_and_error, measure_at, star_fluxes, typical_fwhm


def paint(shape, xy, flux, fwhm, *, beta=None):
    """Sampled Gaussian stars, or Moffat stars of exponent ``beta``."""
    plane = np.zeros(shape, dtype=np.float32)
    reach = int(6 * fwhm) + 3
    for (x, y), f in zip(xy, flux, strict=True):
        top, left = max(int(y) - reach, 0), max(int(x) - reach, 0)
        j, i = np.mgrid[top : min(int(y) + reach, shape[0]), left : min(int(x) + reach, shape[1])]
        r2 = (i - x) ** 2 + (j - y) ** 2
        if beta is None:
            s2 = (fwhm / 2.3548200450309493) ** 2
            profile = np.exp(-0.5 * r2 / s2) / (2 * np.pi * s2)
        else:
            a2 = (fwhm / 2) ** 2 / (2 ** (1 / beta) - 1)
            profile = (beta - 1) / (np.pi * a2) * (1 + r2 / a2) ** -beta
        plane[j, i] += f * profile
    return plane


def grid_of_stars(seed=1, *, side=7, step=50):
    rng = np.random.default_rng(seed)
    xy = np.stack(np.meshgrid(np.arange(side), np.arange(side)), -1).reshape(-1, 2) * step + 40.0
    return xy + rng.uniform(-3, 3, xy.shape), 10 ** rng.uniform(3.0, 4.3, len(xy)), rng


def nearest(stars, xy):
    return np.hypot(*(stars.xy[:, None] - xy[None]).transpose(2, 0, 1)).min(axis=0)


@pytest.mark.parametrize("fwhm", [2.0, 3.0, 5.0, 8.0])
def test_gaussian_stars_read_their_width_place_and_flux(fwhm):
    xy, flux, rng = grid_of_stars()
    flux = flux * fwhm
    plane = paint((380, 380), xy, flux, fwhm) + 100 + rng.normal(0, 3, (380, 380)).astype(np.float32)
    stars = find_stars(plane)
    assert len(stars) == len(xy)
    assert typical_fwhm(stars) == pytest.approx(fwhm, rel=0.03)
    # sqrt(2) sigma / SNR for the faintest (SNR about 100 to 150), times four.
    assert nearest(stars, xy).max() < 4 * 1.414 * fwhm / 2.355 / 100
    order = np.hypot(*(stars.xy[:, None] - xy[None]).transpose(2, 0, 1)).argmin(axis=1)
    np.testing.assert_allclose(np.median(stars.flux / flux[order]), 1.0, atol=0.02)
    assert (np.diff(stars.flux) <= 0).all()


def test_moffat_stars_read_their_width_at_half_maximum():
    xy, flux, rng = grid_of_stars()
    plane = paint((380, 380), xy, 5 * flux, 4.0, beta=3.0) + rng.normal(0, 3, (380, 380)).astype(np.float32)
    # A plain moment reads 12 % wide on such wings.
    assert typical_fwhm(find_stars(plane)) == pytest.approx(4.0, rel=0.03)


def test_centroid_error_falls_as_signal_to_noise_rises():
    rng = np.random.default_rng(3)
    xy, _, _ = grid_of_stars(2)
    errors = []
    for flux in (1000.0, 4000.0):
        plane = paint((380, 380), xy, np.full(len(xy), flux), 3.0) + rng.normal(0, 5, (380, 380)).astype(
            np.float32
        )
        apart = nearest(find_stars(plane), xy)
        errors.append(np.sqrt((apart[apart < 1] ** 2).mean() / 2))
    # sigma_x = sqrt(2) sigma / SNR, SNR = F / (noise sqrt(4 pi) sigma), where the sky dominates (derived here).
    sigma = 3.0 / 2.3548
    predicted = np.sqrt(2) * sigma / (1000.0 / (5 * np.sqrt(4 * np.pi) * sigma))
    assert errors[0] == pytest.approx(predicted, rel=0.35)
    assert errors[1] == pytest.approx(errors[0] / 4, rel=0.35)


def test_hot_pixels_clusters_and_cosmic_rays_are_not_stars():
    xy, flux, rng = grid_of_stars()
    plane = paint((380, 380), xy, 3 * flux, 3.0) + 100 + rng.normal(0, 3, (380, 380)).astype(np.float32)
    square, streak = [(0, 0), (1, 0), (0, 1), (1, 1)], [(k, k) for k in range(5)]
    clusters = [[(0, 0)], [(0, 0), (0, 1)], square, streak]
    marks = []
    for k in range(80):
        y, x = rng.integers(8, 370, 2)
        if np.hypot(*(xy - [x, y]).T).min() < 15:
            continue
        for b, a in clusters[k % 4]:
            plane[y + b, x + a] += 800
        marks.append((x, y))
    stars = find_stars(plane)
    assert len(marks) > 30
    assert len(stars) == len(xy) and nearest(stars, xy).max() < 0.2


def test_extended_lumps_are_not_stars():
    xy, flux, rng = grid_of_stars()
    plane = paint((380, 380), xy, 3 * flux, 3.0) + rng.normal(0, 3, (380, 380)).astype(np.float32)
    lumps = xy[:3] + 25.0
    plane += paint((380, 380), lumps, [4e4] * 3, 9.0)
    stars = find_stars(plane)
    assert nearest(stars, lumps).min() > 5
    assert (nearest(stars, xy) < 0.3).sum() >= len(xy) - 1


def test_stars_are_found_and_lumps_refused_where_nebula_fills_the_frame():
    xy, flux, rng = grid_of_stars(side=11)
    y, x = np.mgrid[:580, :580]
    # Wisps some 40 px wide, hundreds of times the noise: they swallow the stars of a detection over a wide sky.
    lumps = 600 * np.exp(2.0 * np.sin(x / 25 + np.sin(y / 35)) * np.sin(y / 28 + x / 60))
    plane = paint((580, 580), xy, 5 * flux, 3.4) + lumps + rng.normal(0, 3, (580, 580))
    stars = find_stars(plane.astype(np.float32))
    assert typical_fwhm(stars) == pytest.approx(3.4, rel=0.05)
    apart = np.hypot(*(stars.xy[:, None] - xy[None]).transpose(2, 0, 1)).min(axis=1)
    assert np.count_nonzero(apart < 1.0) > 50
    assert np.count_nonzero(apart >= 1.0) <= 2


def test_round_stars_tell_the_width_against_twice_as_many_drawn_out_lumps():
    xy, flux, rng = grid_of_stars(side=5)
    lumps = rng.uniform(15.0, 560.0, (50, 2))
    y, x = np.mgrid[:580, :580].astype(np.float32)
    plane = rng.normal(0, 3, (580, 580)).astype(np.float32) + paint((580, 580), xy, 5 * flux, 3.4)
    for at, turn in zip(lumps, rng.uniform(0, np.pi, len(lumps)), strict=True):
        along = (x - at[0]) * np.cos(turn) + (y - at[1]) * np.sin(turn)
        across = (y - at[1]) * np.cos(turn) - (x - at[0]) * np.sin(turn)
        plane += 500.0 * np.exp(-0.5 * ((along / 7.0) ** 2 + (across / 3.5) ** 2))
    stars = find_stars(plane)
    assert typical_fwhm(stars) == pytest.approx(3.4, rel=0.05)
    assert (nearest(stars, xy) < 0.3).sum() >= 20


def test_saturated_stars_are_marked_and_still_centred():
    xy, flux, rng = grid_of_stars()
    flux[:4] = 3e5
    plane = paint((380, 380), xy, flux, 3.5) + 100 + rng.normal(0, 3, (380, 380)).astype(np.float32)
    plane = np.minimum(plane, np.float32(4000))
    stars = find_stars(plane, saturation=4000.0)
    assert stars.saturated.sum() == 4
    assert nearest(stars.select(stars.saturated), xy[:4]).max() < 0.15
    assert not find_stars(plane).saturated.any()
    assert typical_fwhm(stars) == pytest.approx(3.5, rel=0.03)


def test_order_of_bytes_strides_and_read_only_do_not_matter():
    xy, flux, rng = grid_of_stars()
    plane = paint((380, 380), xy, flux, 3.0) + rng.normal(0, 3, (380, 380)).astype(np.float32)
    wanted = find_stars(plane).xy
    plane.flags.writeable = False
    assert np.array_equal(find_stars(plane.astype(">f8")).xy, wanted)
    assert np.array_equal(find_stars(np.asfortranarray(plane)).xy, wanted)


def test_invalid_pixels_and_nan_are_left_out():
    xy, flux, rng = grid_of_stars()
    plane = paint((380, 380), xy, 3 * flux, 3.0) + rng.normal(0, 3, (380, 380)).astype(np.float32)
    invalid = np.zeros((380, 380), bool)
    invalid[:, :150] = True
    spoiled = plane.copy()
    spoiled[:, :150] = 1e6
    right = xy[xy[:, 0] > 160]
    stars = find_stars(spoiled, invalid=invalid)
    assert stars.xy[:, 0].min() > 149 and nearest(stars, right).max() < 0.2
    holes = plane.copy()
    holes[:, :150] = np.nan
    assert nearest(find_stars(holes), right).max() < 0.2


def test_most_keeps_the_brightest():
    xy, flux, rng = grid_of_stars()
    plane = paint((380, 380), xy, flux, 3.0) + rng.normal(0, 1, (380, 380)).astype(np.float32)
    few = find_stars(plane, most=10)
    assert len(few) == 10
    assert nearest(few, xy[np.argsort(-flux)[:8]]).max() < 0.2


@pytest.mark.parametrize("plane", [np.zeros((100, 100)), np.full((100, 100), np.nan), np.ones((4, 4))])
def test_a_plane_without_stars_gives_none(plane):
    stars = find_stars(plane)
    assert len(stars) == 0 and np.isnan(typical_fwhm(stars))


def test_noise_alone_gives_next_to_no_stars():
    plane = np.random.default_rng(8).normal(0, 1, (500, 500))
    assert len(find_stars(plane)) <= 3


def test_a_full_buffer_is_enlarged(monkeypatch):
    from blend.science.stars import detect

    xy, flux, rng = grid_of_stars()
    plane = paint((380, 380), xy, flux, 3.0) + rng.normal(0, 3, (380, 380)).astype(np.float32)
    wanted = find_stars(plane).xy
    monkeypatch.setattr(detect, "BUFFER_PIXELS", (50, 1_000_000))
    monkeypatch.setattr(detect, "BUFFER_OBJECTS", (2, 4096))
    assert np.array_equal(find_stars(plane).xy, wanted)


def test_aperture_flux_matches_the_closed_form_of_a_gaussian():
    xy, flux, _ = grid_of_stars()
    plane = paint((380, 380), xy, flux, 4.0) + 50
    measured, error = star_fluxes(plane, xy, radius_px=5.0)
    inside = 1 - np.exp(-0.5 * (5.0 / (4.0 / 2.3548)) ** 2)
    # The circle is drawn by 25 points a pixel: 0.4 % of the flux of a Gaussian at this radius.
    np.testing.assert_allclose(measured, inside * flux, rtol=0.005)
    assert (error >= 0).all()


def test_aperture_error_is_the_scatter_of_empty_apertures():
    rng = np.random.default_rng(6)
    plane = rng.normal(0, 2, (400, 400)).astype(np.float32)
    xy = (
        np.stack(np.meshgrid(np.arange(30, 380, 28), np.arange(30, 380, 28)), -1).reshape(-1, 2).astype(float)
    )
    measured, error = star_fluxes(plane, xy, radius_px=4.0)
    # 169 apertures tell their scatter to 5 %.
    assert measured.std() == pytest.approx(np.median(error), rel=0.2)


def test_aperture_on_bad_pixels_or_the_edge_is_nan():
    plane = np.ones((60, 60), np.float32)
    invalid = np.zeros((60, 60), bool)
    invalid[30, 33] = True
    flux, error = star_fluxes(
        plane, np.array([[30.0, 30.0], [2.0, 30.0], [30.0, 10.0]]), radius_px=4.0, invalid=invalid
    )
    assert np.isnan(flux).tolist() == [True, True, False] and np.isnan(error).tolist() == [True, True, False]


def test_select_takes_masks_and_indices():
    stars = Stars(np.arange(6.0).reshape(3, 2), *(np.arange(3.0) for _ in range(5)), np.zeros(3, bool))
    assert stars.select(np.array([True, False, True])).xy.tolist() == [[0.0, 1.0], [4.0, 5.0]]
    assert len(stars.select(np.array([2]))) == 1


def test_places_from_another_plane_tell_the_stars_width_among_many_lumps():
    xy, flux, rng = grid_of_stars()
    lumps = np.stack(np.meshgrid(np.arange(10), np.arange(10)), -1).reshape(-1, 2) * 36.0 + 25.0
    plane = paint((380, 380), xy, flux, 3.2) + paint((380, 380), lumps, np.full(100, 4e4), 16.0)
    plane += rng.normal(0, 0.5, plane.shape).astype(np.float32)
    # Half and twice the true width are no worse a start.
    for start in (1.6, 3.0, 6.0):
        stars = measure_at(plane, xy + 0.2, fwhm_px=start)
        # The lumps' slopes add some percent; their own width is five times the stars'.
        assert typical_fwhm(stars) == pytest.approx(3.2, rel=0.06)
        assert nearest(stars, xy).min() < 0.1 and len(stars) > 40


def test_places_off_the_plane_are_left_out():
    xy, flux, rng = grid_of_stars()
    plane = paint((380, 380), xy, flux, 3.0) + rng.normal(0, 0.1, (380, 380)).astype(np.float32)
    wrong = np.array([[-5.0, 50.0], [np.nan, 3.0], [900.0, 20.0]])
    stars = measure_at(plane, np.concatenate([wrong, xy]), fwhm_px=3.0)
    assert len(stars) == len(xy) and nearest(stars, xy).max() < 0.1
    assert len(measure_at(plane, wrong, fwhm_px=3.0)) == 0


def test_isolated_stars_have_no_neighbour_of_a_tenth_of_their_light():
    from blend.science.stars.stars import Stars, isolated

    xy = np.array([(10.0, 10.0), (14.0, 10.0), (50.0, 10.0), (53.0, 10.0), (90.0, 10.0)])
    flux = np.array([100.0, 5.0, 100.0, 50.0, 1.0])
    rest = [np.ones(5)] * 4
    stars = Stars(xy, flux, *rest, np.zeros(5, dtype=bool))
    assert isolated(stars, reach_px=6.0).tolist() == [True, False, False, False, True]
    assert isolated(stars.select(np.arange(1)), reach_px=6.0).tolist() == [True]
    assert isolated(stars.select(np.arange(0)), reach_px=6.0).tolist() == []


@pytest.mark.parametrize("knots", [0, 60, 120])
def test_the_width_of_a_frame_is_its_stars_not_that_of_knots_among_them(knots: int) -> None:
    """What is no star is fainter and 1.2 to 2 times as wide; a nucleus outshines all."""
    rng = np.random.default_rng(12)
    stars, snr = 2.7 * np.exp(0.04 * rng.standard_normal(60)), np.exp(rng.uniform(2.5, 6.0, 60))
    widths = np.concatenate([stars, 2.7 * rng.uniform(1.2, 2.0, knots), [4.2]])
    snr = np.concatenate([snr, np.exp(rng.uniform(2.0, 3.8, knots)), [5000.0]])
    n = len(widths)
    found = Stars(
        xy=np.zeros((n, 2)),
        flux=snr,
        flux_error=np.ones(n),
        peak=snr,
        fwhm_px=widths,
        elongation=np.ones(n),
        saturated=np.zeros(n, dtype=bool),
    )
    width, error = fwhm_and_error(found)
    assert abs(width - 2.7) < 0.05 and 0.005 < error < 0.05
    few = found.select(np.r_[:5, n - 1])
    assert typical_fwhm(few) < 3.0
