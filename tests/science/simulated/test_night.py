"""The invented night: drawn light against slow sums, masters against their noise model, every option."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from blend.base.rowblocks import limit_threads
from blend.science.simulated.camera import STREAMS, Camera, stack_mean, stream
from blend.science.simulated.drawing import (
    PSF_WEIGHTS,
    View,
    add_sources,
    disc_light,
    draw,
    psf_variances,
)
from blend.science.simulated.night import (
    BORDER_PX,
    RESPONSE,
    Night,
    SceneOptions,
    line_view,
    moonlight,
    simulate_night,
)
from blend.science.simulated.scene import Sources, colour_of, make_scene

SMALL = SceneOptions(rows=160, columns=240, seed=5)


@lru_cache(maxsize=32)
def night(**changes: object) -> Night:
    return simulate_night(replace(SMALL, **changes))  # type: ignore[arg-type]


def one_source(x: float, y: float, *, flux: float = 1.0, fwhm: float = 0.0) -> Sources:
    return Sources(np.array([[x, y]]), np.array([flux]), np.array([fwhm]), np.array([0.65]))


def scene_for(kind: str, shape: tuple[int, int], **changes: float):  # type: ignore[no-untyped-def]
    parts = {name: stream(9, name) for name in ("stars", "knots", "clusters", "nebula")}
    values = {"stars_per_mpx": 400.0, "knots": 60, "line_scale": 1.0} | changes
    return make_scene(shape, kind=kind, streams=parts, response=RESPONSE, **values)  # type: ignore[arg-type]


def calibrated(masters):  # type: ignore[no-untyped-def]
    flat = masters.flat - masters.bias
    return (masters.light - masters.dark) / (flat / np.median(flat, axis=(1, 2), keepdims=True))


def robust_sigma(values: np.ndarray) -> float:
    return 1.4826 * float(np.median(np.abs(values - np.median(values))))


# Drawing


@pytest.mark.parametrize("fwhm", [2.0, 3.0, 3.4])
def test_star_is_the_sum_of_gaussians_over_each_pixel(fwhm: float) -> None:
    frame = np.zeros((1, 41, 43), dtype=np.float32)
    add_sources(
        frame, View((41, 43), np.eye(3), fwhm), one_source(20.3, 19.6), np.array([[1.0]]), fwhm_px=fwhm
    )
    fine = 15
    at = (np.arange(43 * fine) + 0.5) / fine - 0.5
    slow = np.zeros((41, 43))
    for weight, variance in zip(PSF_WEIGHTS, psf_variances(fwhm) - 1.0 / 12.0, strict=True):
        across = np.exp(-0.5 * (at - 20.3) ** 2 / variance)
        down = np.exp(-0.5 * (at[: 41 * fine] - 19.6) ** 2 / variance)
        spot = np.outer(down, across).reshape(41, fine, 43, fine).mean(axis=(1, 3))
        slow += weight * spot / (2.0 * np.pi * variance)
    # Midpoint sums over 15 x 15 points a pixel are good to a few parts in 1e4 of the peak.
    assert np.abs(frame[0] - slow).max() < 5e-4 * slow.max()


def test_star_keeps_its_flux_and_its_declared_width() -> None:
    frame = np.zeros((1, 61, 61), dtype=np.float32)
    add_sources(frame, View((61, 61), np.eye(3), 4.0), one_source(30, 30), np.array([[2.5]]), fwhm_px=4.0)
    assert frame.sum(dtype=np.float64) == pytest.approx(2.5, rel=1e-4)  # stamps are cut at 1e-6 a pixel
    profile = frame[0, 30, 30:] / frame[0, 30, 30]
    half = np.interp(-0.5, -profile, np.arange(31.0))
    # The half width falls on a sample at 4 px; integration over a pixel rounds the top by about 1 %.
    assert 2.0 * half == pytest.approx(4.0, rel=0.02)
    peak = float(np.sum(np.array(PSF_WEIGHTS) / psf_variances(4.0)) / (2.0 * np.pi))
    assert frame.max() == pytest.approx(2.5 * peak, rel=0.02)


def test_knot_blurred_by_a_star_adds_variances() -> None:
    frame = np.zeros((1, 81, 81), dtype=np.float32)
    add_sources(
        frame, View((81, 81), np.eye(3), 3.0), one_source(40, 40, fwhm=6.0), np.array([[1.0]]), fwhm_px=3.0
    )
    x = np.arange(81) - 40.0
    second = float((frame[0].sum(axis=0) * x**2).sum() / frame.sum())
    expected = (6.0 / 2.35482) ** 2 + float(np.dot(PSF_WEIGHTS, psf_variances(3.0)))
    assert second == pytest.approx(expected, rel=0.01)  # the cut at 1e-6 takes some of the far wing


def test_star_narrower_than_pixels_is_refused() -> None:
    with pytest.raises(ValueError, match=r"1\.5 px"):
        psf_variances(1.0)


@pytest.mark.parametrize("mirrored", [False, True])
def test_line_view_puts_stars_where_its_matrix_says(mirrored: bool) -> None:
    view = line_view(replace(SMALL, mirrored=mirrored))
    assert bool(np.linalg.det(view.to_reference[:2, :2]) < 0) is mirrored
    assert view.area == pytest.approx(1.08**2)
    scene = replace(scene_for("empty", (160, 240)), stars=one_source(100.4, 90.7))
    continuum, _ = draw(scene, view)
    y, x = np.mgrid[: view.shape[0], : view.shape[1]]
    light = continuum[1].astype(np.float64)
    at = np.array([(light * x).sum(), (light * y).sum(), light.sum()]) / light.sum()
    assert view.to_reference @ at == pytest.approx([100.4, 90.7, 1.0], abs=1e-4)
    # Values are per pixel of the reference: the sum shrinks by the area of a pixel.
    assert light.sum() * view.area == pytest.approx(1.0, rel=1e-3)


def test_extended_light_has_the_same_values_in_both_frames() -> None:
    scene = scene_for("nebula", (160, 240), stars_per_mpx=0)
    own, own_line = draw(scene, View((160, 240), np.eye(3), 3.0))
    shifted = np.array([[1.0, 0.0, 30.0], [0.0, 1.0, 20.0], [0.0, 0.0, 1.0]])
    moved, moved_line = draw(scene, View((100, 150), shifted, 3.4))
    assert np.allclose(moved, own[:, 20:120, 30:180], rtol=1e-4)
    assert np.allclose(moved_line, own_line[20:120, 30:180], rtol=1e-4)


def test_disc_falls_by_e_in_one_scale_length() -> None:
    disc = scene_for("spiral", (1000, 1500)).disc
    bare = replace(disc, dust=0.0, bulge_peak=0.0, axis_ratio=1.0)
    angle = np.linspace(0.0, 2.0 * np.pi, 720, endpoint=False)
    ring = [
        disc_light(
            bare,
            (k * disc.scale_length_px * np.cos(angle)).astype(np.float32),
            (k * disc.scale_length_px * np.sin(angle)).astype(np.float32),
            blur=0.0,
        )[0][1].mean()
        for k in (2.5, 3.5)
    ]
    assert ring[0] / ring[1] == pytest.approx(
        np.e, rel=0.1
    )  # ripples on the arms move a ring by a few percent


def test_disc_is_flattened_along_its_position_angle() -> None:
    disc = replace(scene_for("spiral", (1000, 1500)).disc, dust=0.0, brightness=0.0)
    turn = np.radians(disc.position_angle_deg)
    step = np.array([disc.bulge_sigma_px], dtype=np.float32)
    along = disc_light(disc, step * np.float32(np.cos(turn)), step * np.float32(np.sin(turn)), blur=0.0)[0]
    across = disc_light(disc, -step * np.float32(np.sin(turn)), step * np.float32(np.cos(turn)), blur=0.0)[0]
    assert along[1, 0] > 1.2 * across[1, 0]


def test_nucleus_is_red_and_arms_are_blue() -> None:
    truth = night(rows=300, columns=450, stars_per_mpx=0.0).truth
    disc = truth.disc
    assert disc is not None
    balanced = truth.continuum * truth.white_gains[:, None, None]
    core = balanced[:, round(disc.y), round(disc.x)]
    assert core[0] > 1.1 * core[1] > 1.1 * core[2]
    assert 0.08 < truth.continuum[1, round(disc.y), round(disc.x)] < 0.25
    column, row = np.round(truth.clusters.xy[np.argmax(truth.clusters.flux)]).astype(int)
    assert balanced[2, row, column] > balanced[0, row, column]


def test_solar_twin_is_neutral_after_the_gains() -> None:
    star = np.array(RESPONSE) * colour_of(0.65)
    assert star * night().truth.white_gains == pytest.approx([1.0, 1.0, 1.0])
    # Planck colours, B-V = 0 and 1.5, derived here against a solar twin.
    assert colour_of(0.0) == pytest.approx([0.873 / 1.140, 1.0, 1.448 / 0.937])
    assert colour_of(1.5) == pytest.approx([1.612 / 1.140, 1.0, 0.528 / 0.937])


# Masters


def test_mean_of_clipped_frames_matches_frames_drawn_one_by_one() -> None:
    camera = Camera(number=0, planes=("red",), exposure_s=1.0, frames=20, full_scale_adu=1000)
    level = np.float32(985.0)
    rng = np.random.default_rng(3)
    frames = rng.normal(985.0, np.sqrt(985.0 + 3.5**2), (4000, 20))
    slow = np.minimum(frames, 1000.0).mean(axis=1) / 1000.0
    fast = stack_mean(
        np.full(4000, level),
        np.float32(0.0),
        frames=20,
        camera=camera,
        normals=rng.standard_normal(4000, dtype=np.float32),
    )
    assert fast.max() <= 1.0
    # Four standard errors of 4000 trials.
    assert fast.mean() == pytest.approx(slow.mean(), abs=4 * slow.std() / 4000**0.5)
    assert fast.std() == pytest.approx(slow.std(), rel=4 / 8000**0.5)


def test_calibration_brings_back_the_truth_with_the_declared_noise() -> None:
    made = night(hot_per_mpx=3000.0)
    truth, camera = made.truth, made.rgb.camera
    expected = truth.continuum + truth.sky
    expected[0] += truth.line_in_red
    off = calibrated(made.rgb) - expected
    for plane in range(3):
        photons = float(np.median(expected[plane])) * camera.full_e
        lights = (photons + camera.read_noise_e**2) / camera.frames
        darks = camera.read_noise_e**2 / camera.dark_frames
        flat_e = camera.flat_levels[plane] * camera.full_e
        flats = photons**2 / (flat_e * camera.flat_frames)
        sigma = np.sqrt(lights + darks + flats) / camera.full_e
        # Vignetting spreads the noise by up to a fifth between centre and corners.
        assert robust_sigma(off[plane]) == pytest.approx(sigma, rel=0.06)
        # Dust shadows move the flat's median by less than one part in a thousand.
        assert abs(np.median(off[plane])) < 1.5e-3 * np.median(expected[plane])
    x, y = made.rgb.hot_xy.T
    raw = made.rgb.light[made.rgb.hot_plane, y, x] - np.median(made.rgb.light[1])
    assert (raw > 0.01).mean() > 0.5
    assert np.median(np.abs(off[made.rgb.hot_plane, y, x])) < 2e-3


def test_dark_holds_hot_pixels_and_a_glowing_corner() -> None:
    made = night(hot_per_mpx=3000.0).ha
    assert made.dark is not None and made.bias is not None
    x, y = made.hot_xy.T
    current = made.dark[0] - made.bias[0]
    assert len(x) == round(3000e-6 * current.size)
    assert np.mean(current[y, x] > 5e-3) > 0.8
    assert np.median(current[-12:, -12:]) > 20 * np.median(current[:40, :40])
    assert np.median(made.bias) == pytest.approx(made.camera.bias_level, abs=1e-5)


def test_line_frame_is_scale_times_continuum_plus_line() -> None:
    made = night(
        ha_grid="same", ha_fwhm_px=3.0, ha_frames=10**9, calibrated=True, throughput_ratio=0.9
    )  # so many frames that no noise is left
    truth = made.truth
    line = truth.line_in_red * (0.9 / truth.width_ratio)
    expected = truth.continuum_scale * (truth.continuum[0] + line) + truth.ha_sky
    good = expected < 0.9
    assert np.abs(made.ha.light[0] - expected)[good].max() < 2e-6
    # s = 0.9 x 7/100 x 300 s/30 s x 16383/65535 on one grid.
    assert truth.continuum_scale == pytest.approx(0.9 * 0.07 * 10 * 16383 / 65535)


def test_knots_carry_their_flux() -> None:
    truth = night(rows=300, columns=450, line_scale=5.0).truth
    single = night(rows=300, columns=450).truth
    # Images are cut at 1e-6 a pixel, and overlap.
    assert np.allclose(truth.line_in_red, 2.0 * single.line_in_red, rtol=1e-4, atol=6e-6)
    assert np.allclose(truth.knots.flux, 2.0 * single.knots.flux)
    # Diffuse light adds to the knots; nothing takes away.
    assert truth.line_in_red.sum(dtype=np.float64) > truth.knots.flux.sum()


def test_some_stars_saturate_and_nothing_exceeds_full_scale() -> None:
    made = night()
    assert (made.rgb.light >= 0.9999).any()
    assert made.rgb.light.max() <= 1.0 and made.ha.light.max() <= 1.0


# Repeatable and independent


def test_threads_and_repeats_give_the_same_bits() -> None:
    options = replace(SMALL, seed=11)
    with limit_threads(1):
        one = simulate_night(options)
    with limit_threads(3):
        three = simulate_night(options)
    for name in ("light", "dark", "flat", "bias"):
        assert np.array_equal(getattr(one.rgb, name), getattr(three.rgb, name))
        assert np.array_equal(getattr(one.ha, name), getattr(three.ha, name))
    assert np.array_equal(one.truth.continuum, three.truth.continuum)
    assert not np.array_equal(one.rgb.light, night().rgb.light)


def test_options_of_one_frame_leave_the_other_alone() -> None:
    plain, other = night(), night(mirrored=True, ha_three_planes=True, ha_pure_noise=True)
    for name in ("light", "dark", "flat", "bias"):
        assert np.array_equal(getattr(plain.rgb, name), getattr(other.rgb, name))
    assert np.array_equal(plain.ha.hot_xy, night(mirrored=True).ha.hot_xy)
    assert np.array_equal(plain.truth.star_xy, night(knots=5).truth.star_xy)


def test_streams_of_different_parts_differ() -> None:
    drawn = [float(stream(1, part, 0, 1, 2).random()) for part in STREAMS]
    assert len(set(drawn)) == len(STREAMS)


# Options


def test_kinds() -> None:
    empty, cluster, nebula = night(kind="empty"), night(kind="cluster"), night(kind="nebula")
    assert empty.truth.continuum.max() == 0.0 and len(empty.truth.star_xy) == 0
    assert cluster.truth.line_in_red.max() == 0.0 and len(cluster.truth.star_xy) > 10
    # Emission over most of the frame, above the noise of one pixel of the line frame in these counts (4e-5).
    assert (nebula.truth.line_in_red > 1e-4).mean() > 0.6
    with pytest.raises(ValueError, match="kind"):
        night(kind="planet")
    with pytest.raises(ValueError, match="too small"):
        night(rows=10)


def test_moonlight_slopes_and_bends() -> None:
    sky = moonlight((201, 301), level=0.2, slope=0.3, angle_deg=0.0)
    assert sky[100, -1] - sky[100, 0] == pytest.approx(0.2 * 0.3, rel=0.01)
    assert sky[100, 0] + sky[100, -1] - 2 * sky[100, 150] == pytest.approx(2 * 0.2 * 0.06 * 0.3, rel=0.01)
    blue, red = night().truth.sky[2], night().truth.sky[0]
    assert np.median(blue) > np.median(red)
    assert np.ptp(red) / np.median(red) > np.ptp(blue) / np.median(blue)


def test_flipped_half_all_but_cancels_the_slope() -> None:
    plain, flipped = night().truth.sky, night(flipped_half=True).truth.sky
    assert np.ptp(flipped[0]) < 0.3 * np.ptp(plain[0])


def test_null_nights() -> None:
    truth = night(ha_is_continuum_only=True).truth
    assert not truth.line_in_red.any() and truth.continuum.any()
    noise = night(ha_pure_noise=True, calibrated=True).ha
    assert abs(noise.light.mean(dtype=np.float64)) < 1e-7
    expected = noise.camera.read_noise_e / noise.camera.frames**0.5 / noise.camera.full_e
    assert noise.light.std(dtype=np.float64) == pytest.approx(expected, rel=0.02)


def test_three_planes_hold_the_line_in_red_alone() -> None:
    light = calibrated(night(ha_three_planes=True).ha)
    sky = np.median(light, axis=(1, 2))
    assert light.shape[0] == 3
    assert sky[1] < 0.05 * sky[0] and sky[2] < 0.05 * sky[0]


@pytest.mark.parametrize(("border", "empty"), [("nan", np.isnan), ("zero", lambda a: a == 0.0)])
def test_dithered_stack_has_a_ring_without_data(border: str, empty) -> None:  # type: ignore[no-untyped-def]
    made = night(border=border)
    assert made.rgb.dark is None and made.rgb.flat is None
    top, bottom, left, right = BORDER_PX
    ring = np.ones(made.rgb.light.shape[1:], dtype=bool)
    ring[top:-bottom, left:-right] = False
    assert np.array_equal(empty(made.rgb.light).all(axis=0), ring)


def test_balanced_planes_clip_at_one_level() -> None:
    made, plain = night(balanced=True), night(calibrated=True)
    assert made.rgb.light.max(axis=(1, 2)) == pytest.approx([1.0, 1.0, 1.0])
    below = plain.rgb.light[2] < 0.6
    gain = plain.truth.white_gains[2]
    assert np.allclose(made.rgb.light[2][below], plain.rgb.light[2][below] * gain, rtol=1e-6)
    assert made.truth.continuum_scale * plain.truth.white_gains[0] == pytest.approx(
        plain.truth.continuum_scale
    )


def noise_of(made: Night) -> np.ndarray:
    return made.rgb.light - made.truth.sky


def test_demosaiced_noise_is_correlated_between_neighbours() -> None:
    plain = noise_of(night(kind="empty", calibrated=True))
    mixed = noise_of(night(kind="empty", calibrated=True, correlated_noise=True))

    def neighbours(plane: np.ndarray) -> float:
        return float(np.corrcoef(plane[:, 1:].ravel(), plane[:, :-1].ravel())[0, 1])

    assert abs(neighbours(plain[0])) < 0.02
    # A row of bilinear red is a, (a + b) / 2, b, ..: covariance 1/2 over the mean variance 3/4. Derived here.
    assert neighbours(mixed[0]) == pytest.approx(2.0 / 3.0, abs=0.02)
    assert neighbours(mixed[1]) > 0.3
    # Photosites keep their own noise, here every second pixel of every second row.
    assert mixed[0, ::2, ::2].std() == pytest.approx(plain[0, ::2, ::2].std(), rel=1e-4)


def test_walking_noise_is_streaky_along_the_drift() -> None:
    walk = noise_of(night(kind="empty", calibrated=True, walking_noise=True))[1]

    def shifted(dy: int, dx: int) -> float:
        a, b = walk[dy:, dx:], walk[: walk.shape[0] - dy, : walk.shape[1] - dx]
        return float(np.corrcoef(a.ravel(), b.ravel())[0, 1])

    # Streaks hold 0.6^2 / (1 + 0.6^2) = 26 % of the variance and fade over 32 steps of (2, 1) px.
    assert shifted(4, 8) == pytest.approx(0.26 * 28 / 32, abs=0.04)
    assert abs(shifted(8, 0)) < 0.04


def test_blue_stars_are_bloated() -> None:
    scene = replace(scene_for("empty", (61, 61)), stars=one_source(30, 30))
    continuum, _ = draw(scene, View((61, 61), np.eye(3), 3.0), blue_fwhm_px=4.2)
    share = continuum.max(axis=(1, 2)) / continuum.sum(axis=(1, 2))
    assert share[0] == pytest.approx(share[1])
    assert share[2] == pytest.approx(share[1] / 1.4**2, rel=0.03)  # integration over pixels
    wide, plain = night(bloated_blue=True), night()
    # Stamps are cut where the brightest plane that shares them fades: a few 1e-6.
    assert np.allclose(wide.rgb.light[:2], plain.rgb.light[:2], rtol=0.0, atol=1e-5)
    assert np.array_equal(wide.ha.light, plain.ha.light)


def test_sizes() -> None:
    full = SceneOptions.sized("full", seed=2)
    assert (full.rows, full.columns, full.seed, full.growth) == (4000, 6000, 2, 4.0)
