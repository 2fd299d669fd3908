"""Display P3 as written: primaries, matrix and profile against colour-science's and Pillow's."""

from __future__ import annotations

import io

import numpy as np

from blend.base.transfer import decode_block as decode
from blend.files.srgb import P3, SRGB, display_p3, p3_profile, srgb_profile


def test_primaries_and_matrix_are_colour_science_s():
    import colour

    wide, narrow = colour.RGB_COLOURSPACES["Display P3"], colour.RGB_COLOURSPACES["sRGB"]
    assert np.allclose(P3, wide.primaries, atol=1e-12) and np.allclose(SRGB, narrow.primaries, atol=1e-12)
    rng = np.random.default_rng(1)
    codes = rng.uniform(0, 1, (3, 40, 50))
    light = np.moveaxis(decode(codes), 0, -1)
    ours = decode(display_p3(codes))
    theirs = np.moveaxis(colour.RGB_to_RGB(light, narrow, wide, chromatic_adaptation_transform=None), -1, 0)
    # float32 code values, and colour-science's rounded matrix of sRGB.
    assert np.abs(ours - theirs).max() < 2e-4
    assert ours.min() >= 0 and ours.max() <= 1
    grey = display_p3(np.full((3, 1, 1), 0.4))
    assert np.abs(grey - 0.4).max() < 1e-6


def test_the_profile_is_read_and_leads_back_to_the_same_colours():
    from PIL import Image, ImageCms

    profiles = [ImageCms.ImageCmsProfile(io.BytesIO(data)) for data in (p3_profile(), srgb_profile())]
    assert ImageCms.getProfileDescription(profiles[0]).strip() == "Display P3 equivalent"
    rng = np.random.default_rng(2)
    codes = rng.uniform(0.3, 0.95, (3, 20, 30))
    wide = np.moveaxis(np.round(255 * display_p3(codes)).astype(np.uint8), 0, -1)
    back = ImageCms.profileToProfile(Image.fromarray(np.ascontiguousarray(wide)), *profiles)
    # Two roundings to 8 bits, the first widened by the matrix and the curve's slope in the dark.
    assert np.abs(np.asarray(back) - np.moveaxis(255 * codes, 0, -1)).max() < 4


def test_profiles_have_fixed_bytes():
    import hashlib

    assert hashlib.sha256(p3_profile()).hexdigest()[:16] == "b9dd35227a1f8461"
    assert p3_profile()[36:40] == b"acsp" and len(p3_profile()) == int.from_bytes(p3_profile()[:4], "big")
