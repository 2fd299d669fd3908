"""Registration and resampling against published numbers and general-purpose libraries."""

import numpy as np
import pytest

from blend.base.master import Flag
from blend.science.grid.lanczos import lanczos, weight_table
from blend.science.grid.patterns import quad_codes, triangle_codes
from blend.science.grid.resampling import resample
from blend.science.grid.transforms import apply_matrix, fit_affine, fit_projective, fit_similarity
from blend.science.stars.stars import find_stars, star_fluxes


def covered(flags):
    return (flags & np.uint8(Flag.NO_DATA)) == 0


def test_lanczos_values():
    # L(x) = sinc(x) sinc(x / 3): Duchon (1979), J. Appl. Meteor. 18, 1016; values worked from the equation.
    np.testing.assert_allclose(lanczos(np.array([0.5, 1.5, 2.5])), [0.607927, -0.135095, 0.024317], atol=5e-7)
    np.testing.assert_allclose(lanczos(np.arange(1.0, 5.0)), 0.0)
    taps = lanczos(np.arange(-2, 4) - 0.5)
    # The weights do not sum to one, which is why they are divided by their sum.
    assert taps.sum() == pytest.approx(0.994299, abs=1e-6)
    np.testing.assert_allclose(weight_table(1.0)[2048], taps / taps.sum(), atol=1e-7)


def test_step_overshoots_as_the_kernel_says():
    # A unit step under normalised Lanczos-3 overshoots by 11.8 % (derived from the kernel).
    step = np.zeros((1, 20, 200), np.float32)
    step[:, :, 100:] = 1.0
    flags = np.zeros((20, 200), np.uint8)
    highest = 0.0
    for phase in np.arange(0.0, 1.0, 0.05):
        matrix = np.array([[1.0, 0, phase], [0, 1, 0], [0, 0, 1]])
        out, _ = resample(step, flags, matrix, (20, 200), low_floor=False)
        highest = max(highest, float(np.nanmax(out)))
    assert highest - 1 == pytest.approx(0.118, abs=0.002)


@pytest.mark.parametrize(("fwhm", "wanted"), [(2.0, -0.0087), (2.5, -0.0013)])
def test_a_star_undershoots_as_the_kernel_says(fwhm, wanted):
    # Deepest undershoot of a unit Gaussian on zero sky, any phase (derived from the kernel).
    j, i = np.mgrid[:25, :25] - 12.0
    deepest = 0.0
    for phase in np.linspace(0, 0.95, 20):
        star = np.exp(-4 * np.log(2) * ((i + phase) ** 2 + j**2) / fwhm**2).astype(np.float32)[None]
        for back in np.linspace(0, 0.95, 20):
            matrix = np.array([[1.0, 0, back], [0, 1, 0], [0, 0, 1]])
            out, _ = resample(star, np.zeros((25, 25), np.uint8), matrix, (25, 25), low_floor=False)
            deepest = min(deepest, float(np.nanmin(out[:, 4:-4, 4:-4])))
    assert deepest == pytest.approx(wanted, rel=0.15)


def test_three_four_five_triangle():
    # Valdes et al. (1995), PASP 107, 1119: (b/a, c/a) of a 3-4-5 triangle is (0.8, 0.6).
    corners = np.array([[0.0, 0.0], [4.0, 0.0], [0.0, 3.0]])
    a = np.deg2rad(30.0)
    turned = 1.7 * corners @ np.array([[np.cos(a), np.sin(a)], [-np.sin(a), np.cos(a)]]) + [11.0, -5.0]
    codes, order = triangle_codes(np.stack([corners, turned, corners * [-1, 1], corners[[2, 0, 1]]]))
    np.testing.assert_allclose(codes[:, :2], [[0.8, 0.6]] * 4, atol=1e-12)
    # Only the mirror image turns the other way.
    assert codes[:, 2].tolist() == [codes[0, 2]] * 2 + [-codes[0, 2], codes[0, 2]]
    assert corners[order[0]].tolist() == corners[[2, 0, 1]][order[3]].tolist()


def test_quad_code():
    # Lang et al. (2010), AJ 139, 1782: with A, B at (0, 0), (1, 1), x_C <= x_D and x_C + x_D <= 1.
    quad = np.array([[0.0, 0.0], [10.0, 10.0], [4.0, 5.0], [7.0, 4.0]])
    codes, _ = quad_codes(
        np.stack([quad, quad[[3, 1, 0, 2]], 2.0 * quad @ [[0, 1], [-1, 0]] + 7.0, quad * [-1, 1]])
    )
    np.testing.assert_allclose(codes[:3], [[0.3, 0.6, 0.6, 0.5]] * 3, atol=1e-12)
    assert np.abs(codes[3] - codes[0]).max() > 0.05


def test_similarity_is_umeyamas_example():
    # Umeyama (1991), IEEE PAMI 13, 376, the example of section III: scale 0.721, shift (-0.8, 0.4).
    source, target = np.array([[0.0, 0], [1, 0], [0, 2]]), np.array([[0.0, 0], [-1, 0], [0, 2]])
    matrix = fit_similarity(source, target)
    scale = np.sqrt(np.linalg.det(matrix[:2, :2]))
    assert scale == pytest.approx(0.72111, abs=5e-6)
    np.testing.assert_allclose(matrix[:2, :2] / scale, [[0.83205, 0.55470], [-0.55470, 0.83205]], atol=5e-6)
    np.testing.assert_allclose(matrix[:2, 2], [-0.8, 0.4], atol=1e-12)
    rest = ((apply_matrix(matrix, source) - target) ** 2).sum() / 3
    assert rest == pytest.approx(0.5333, abs=5e-5)


def test_fits_agree_with_scikit_image():
    transform = pytest.importorskip("skimage.transform")
    rng = np.random.default_rng(4)
    source = rng.uniform(0, 3000, (40, 2))
    truth = np.array([[0.9, 0.3, 20.0], [-0.28, 0.95, 400.0], [4e-6, -7e-6, 1.0]])
    target = apply_matrix(truth, source) + rng.normal(0, 0.2, source.shape)
    corners = np.array([[0.0, 0.0], [3000.0, 0.0], [3000.0, 3000.0]])
    for fit, kind, apart in (
        (fit_similarity, "SimilarityTransform", 1e-6),
        # For these that library minimises an algebraic distance, this one the distance in pixels.
        (fit_affine, "AffineTransform", 0.1),
        (fit_projective, "ProjectiveTransform", 0.1),
    ):
        other = getattr(transform, kind).from_estimate(source, target)
        np.testing.assert_allclose(apply_matrix(fit(source, target), corners), other(corners), atol=apart)


def test_resampling_agrees_with_a_high_order_spline():
    ndimage = pytest.importorskip("scipy.ndimage")
    rng = np.random.default_rng(5)
    plane = ndimage.gaussian_filter(rng.normal(0, 1, (80, 90)), 2.0).astype(np.float32)
    a = np.deg2rad(25.0)
    matrix = np.array([[np.cos(a), -np.sin(a), 30.0], [np.sin(a), np.cos(a), -10.0], [0, 0, 1]])
    out, flags = resample(plane[None], np.zeros(plane.shape, np.uint8), matrix, (80, 90))
    inverse = np.linalg.inv(matrix)
    # scipy works in (row, column).
    flip = inverse[[1, 0, 2]][:, [1, 0, 2]]
    other = ndimage.affine_transform(
        plane, flip[:2, :2], offset=flip[:2, 2], order=5, mode="constant", cval=np.nan
    )
    both = covered(flags) & np.isfinite(other)
    assert both.sum() > 3000
    # Structure of sigma 2 px: the kernel's pass band is flat to 1 %.
    assert np.abs(out[0] - other)[both].max() < 0.02 * np.ptp(plane)


def test_places_and_fluxes_agree_with_photutils():
    centroids = pytest.importorskip("photutils.centroids")
    aperture = pytest.importorskip("photutils.aperture")
    rng = np.random.default_rng(6)
    xy = (
        np.stack(np.meshgrid(np.arange(5), np.arange(5)), -1).reshape(-1, 2) * 40.0
        + 25
        + rng.uniform(-2, 2, (25, 2))
    )
    j, i = np.mgrid[:210, :210]
    plane = rng.normal(0, 1, (210, 210)).astype(np.float32)
    for x, y in xy:
        plane += np.float32(400) * np.exp(-((i - x) ** 2 + (j - y) ** 2) / 4.5).astype(np.float32)
    stars = find_stars(plane)
    assert len(stars) == 25
    x, y = centroids.centroid_sources(
        plane, stars.xy[:, 0], stars.xy[:, 1], box_size=13, centroid_func=centroids.centroid_2dg
    )
    # Both are within their own error of the truth, 0.006 px.
    np.testing.assert_allclose(stars.xy, np.column_stack([x, y]), atol=0.03)
    flux, _ = star_fluxes(plane, stars.xy, radius_px=5.0)
    table = aperture.aperture_photometry(plane, aperture.CircularAperture(stars.xy, r=5.0))
    # The sky is zero but for the error of the ring's median: 78 pixels times 0.06.
    np.testing.assert_allclose(flux, np.asarray(table["aperture_sum"]), atol=20, rtol=0.004)
