"""World coordinates of two headers: they seed the match, stars check them, and alone they serve where stars are few."""

import numpy as np
import pytest
from astropy.wcs import WCS

from blend.base.errors import StepError
from blend.science.grid.coordinates import seed_of
from blend.science.grid.register import align
from tests.science.grid.starfields import make_stars

SHAPE = (400, 400)


def solved(x=200.0, y=200.0, *, turn_deg=0.0, scale=1.0, sip=0.0):
    """World coordinates of a frame whose pixel (x, y) shows the field's middle."""
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN-SIP", "DEC--TAN-SIP"] if sip else ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crpix = [x + 1, y + 1]
    wcs.wcs.crval = [150.0, 20.0]
    a = np.deg2rad(turn_deg)
    wcs.wcs.cd = 2e-4 / scale * np.array([[-np.cos(a), np.sin(a)], [np.sin(a), np.cos(a)]])
    if sip:
        from astropy.wcs import Sip

        terms = np.zeros((4, 4))
        terms[3, 0] = terms[1, 2] = sip / 280.0**3
        none = np.zeros((4, 4))
        wcs.sip = Sip(terms, terms.T.copy(), none, none, wcs.wcs.crpix)
    wcs.wcs.set()
    return wcs


def sky(rng, count):
    return rng.uniform(20, 380, (count, 2)), 10 ** rng.exponential(0.5, count)


def test_the_headers_map_is_that_of_their_pixels():
    seed = seed_of(solved(turn_deg=30.0, scale=0.5), solved(210.0, 190.0), SHAPE, SHAPE)
    assert seed.distortion is None and not seed.mirrored
    np.testing.assert_allclose((seed.matrix @ [200.0, 200.0, 1.0])[:2], [210.0, 190.0], atol=0.01)
    assert np.sqrt(np.linalg.det(seed.matrix[:2, :2])) == pytest.approx(2.0, abs=1e-4)
    assert np.array_equal(seed_of(solved(), solved(), SHAPE, SHAPE).matrix, np.eye(3))
    assert seed_of(solved(), None, SHAPE, SHAPE) is None


def test_six_of_nine_stars_are_enough_where_headers_agree():
    rng = np.random.default_rng(1)
    xy, flux = sky(rng, 12)
    seed = seed_of(solved(), solved(206.0, 193.0), SHAPE, SHAPE)
    moving = make_stars(xy[:9], flux[:9], rng=rng)
    reference = make_stars(xy[3:] + np.array([6.8, -6.5]), flux[3:], rng=rng)
    found = align(moving, reference, moving_shape=SHAPE, reference_shape=SHAPE, seed=seed)
    assert found.by == "world coordinates" and found.matched >= 5 and found.error_px[1] < 1.0
    np.testing.assert_allclose(found.forward(np.array([[200.0, 200.0]])), [[206.8, 193.5]], atol=0.2)


def test_three_stars_shift_the_headers_map():
    rng = np.random.default_rng(2)
    xy, flux = sky(rng, 3)
    seed = seed_of(solved(), solved(206.0, 193.0), SHAPE, SHAPE)
    found = align(
        make_stars(xy, flux, rng=rng),
        make_stars(xy + np.array([7.0, -6.0]), flux, rng=rng),
        moving_shape=SHAPE,
        reference_shape=SHAPE,
        seed=seed,
    )
    assert (found.by, found.transform, found.matched) == ("world coordinates", "shift", 3)
    np.testing.assert_allclose(found.matrix[:2, 2], [7.0, -6.0], atol=0.2)


def test_headers_alone_are_said_to_be_alone():
    rng = np.random.default_rng(3)
    xy, flux = sky(rng, 2)
    seed = seed_of(solved(), solved(206.0, 193.0), SHAPE, SHAPE)
    lists = make_stars(xy, flux), make_stars(xy + np.array([6.0, -7.0]), flux)
    found = align(*lists, moving_shape=SHAPE, reference_shape=SHAPE, seed=seed)
    assert [code for code, _ in found.doubts] == ["world-coordinates-alone"]
    assert found.matched == 0 and found.error_px is None
    with pytest.raises(StepError):
        align(*lists, moving_shape=SHAPE, reference_shape=SHAPE)


def test_many_stars_that_contradict_the_headers_refuse_them():
    rng = np.random.default_rng(4)
    seed = seed_of(solved(), solved(), SHAPE, SHAPE)
    lists = [make_stars(*sky(rng, 25)) for _ in range(2)]
    with pytest.raises(StepError, match="world coordinates of both headers"):
        align(*lists, moving_shape=SHAPE, reference_shape=SHAPE, seed=seed)


def test_stars_that_lie_elsewhere_are_followed_and_told_of():
    rng = np.random.default_rng(5)
    xy, flux = sky(rng, 60)
    seed = seed_of(solved(), solved(), SHAPE, SHAPE)
    lists = make_stars(xy, flux, rng=rng), make_stars(xy + np.array([40.0, 3.0]), flux, rng=rng)
    found = align(*lists, moving_shape=SHAPE, reference_shape=SHAPE, seed=seed)
    assert [code for code, _ in found.doubts] == ["world-coordinates-disagree"]
    np.testing.assert_allclose(found.matrix[:2, 2], [40.0, 3.0], atol=0.1)


def test_sip_terms_bend_the_map():
    rng = np.random.default_rng(6)
    moving_wcs, wcs = solved(sip=5.0), solved(203.0, 198.0)
    seed = seed_of(moving_wcs, wcs, SHAPE, SHAPE)
    assert seed.distortion.kind == "world-coordinates"
    xy, flux = sky(rng, 14)
    at = np.column_stack(wcs.all_world2pix(*moving_wcs.all_pix2world(*xy.T, 0), 0))
    found = align(
        make_stars(xy, flux, rng=rng),
        make_stars(at, flux, rng=rng),
        moving_shape=SHAPE,
        reference_shape=SHAPE,
        seed=seed,
    )
    assert found.transform == "world-coordinates"
    np.testing.assert_allclose(found.forward(xy), at, atol=0.25)
