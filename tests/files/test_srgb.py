"""sRGB: the curve, rounding, and a profile that a colour engine opens and finds close to sRGB."""

from __future__ import annotations

import hashlib
import io
import struct

import numpy as np
import pytest
from PIL import Image, ImageCms

from blend.base.transfer import decode_block as decode
from blend.base.transfer import encode_block as encode
from blend.files.srgb import code_values, srgb_profile


def test_the_curve_is_that_of_iec_61966() -> None:
    # Y of a grey is its light; scikit-image's weights of red, green and blue add up to 1.
    from skimage.color import rgb2xyz

    code = np.linspace(0.0, 1.0, 1001)
    grey = np.repeat(code[:, np.newaxis], 3, axis=1)
    np.testing.assert_allclose(decode(code), rgb2xyz(grey)[:, 1], atol=1e-12)
    # The standard's two pieces miss each other by 3e-8 at the joint: the inverse is as good.
    np.testing.assert_allclose(encode(decode(code)), code, atol=1e-7)


@pytest.mark.parametrize(("bits", "top"), [(8, 255), (16, 65535)])
def test_codes_round_to_the_nearest_and_halves_up(bits: int, top: int) -> None:
    codes = np.arange(top + 1)
    exact = (codes / top)[np.newaxis, np.newaxis]
    assert np.array_equal(code_values(exact.astype(np.float32), bits=bits)[0, :, 0], codes)
    half = ((codes[:-1] + 0.5) / top)[np.newaxis, np.newaxis]
    below, above = half * (1 - 1e-9), half * (1 + 1e-9)
    assert np.array_equal(code_values(below, bits=bits)[0, :, 0], codes[:-1])
    assert np.array_equal(code_values(above, bits=bits)[0, :, 0], codes[1:])


def test_codes_are_clipped_and_no_data_is_black() -> None:
    values = np.array([[[np.nan, -1.0, -np.inf, 2.0, np.inf]]], dtype=np.float32)
    values.flags.writeable = False
    assert code_values(values, bits=8).ravel().tolist() == [0, 0, 0, 255, 255]


def _tags(profile: bytes) -> dict[bytes, bytes]:
    count = struct.unpack(">I", profile[128:132])[0]
    entries = [struct.unpack(">4sII", profile[132 + 12 * i : 144 + 12 * i]) for i in range(count)]
    return {name: profile[offset : offset + size] for name, offset, size in entries}


def test_the_colorants_are_the_published_ones() -> None:
    # Lindbloom, RGB/XYZ matrices, sRGB adapted to D50 by Bradford (from memory); his D65 and D50 have five
    # digits, ours four as in the standards: 3e-4 covers the difference and the rounding to 1/65536.
    published = {
        b"rXYZ": (0.4360747, 0.2225045, 0.0139322),
        b"gXYZ": (0.3850649, 0.7168786, 0.0971045),
        b"bXYZ": (0.1430804, 0.0606169, 0.7141733),
    }
    tags = _tags(srgb_profile())
    total = np.zeros(3)
    for name, wanted in published.items():
        found = np.array(struct.unpack(">3i", tags[name][8:20])) / 65536.0
        np.testing.assert_allclose(found, wanted, atol=3e-4)
        total += found
    # White must come out as the profile's white, D50, to the rounding of three numbers.
    np.testing.assert_allclose(total, (0.9642, 1.0, 0.8249), atol=2.0 / 65536)


def test_a_colour_engine_opens_it_and_finds_srgb() -> None:
    profile = ImageCms.ImageCmsProfile(io.BytesIO(srgb_profile()))
    assert profile.profile.xcolor_space.strip() == "RGB"
    assert "sRGB" in ImageCms.getProfileDescription(profile)
    ramp = np.random.default_rng(3).integers(0, 256, (64, 64, 3), dtype=np.uint8)
    ramp[:, 0] = np.arange(0, 256, 4)[:, np.newaxis]
    for source, target in (
        (profile, ImageCms.createProfile("sRGB")),
        (ImageCms.createProfile("sRGB"), profile),
    ):
        moved = ImageCms.profileToProfile(Image.fromarray(ramp), source, target, renderingIntent=1)
        # One code is the rounding of the engine's 8-bit path.
        assert np.abs(np.asarray(moved).astype(int) - ramp).max() <= 1


def test_the_profile_is_fixed_bytes_and_holds_no_date_of_today() -> None:
    profile = srgb_profile()
    assert struct.unpack(">I", profile[:4])[0] == len(profile)
    assert profile[36:40] == b"acsp" and len(profile) % 4 == 0
    assert struct.unpack(">6H", profile[24:36]) == (2000, 1, 1, 0, 0, 0)
    srgb_profile.cache_clear()
    assert srgb_profile() == profile
    assert hashlib.sha256(profile).hexdigest() == PROFILE_SHA256


PROFILE_SHA256 = "6e0bf58ab046bac306c4451e57d6307f6f5ac9cda8ea81cacb00bc187590fed4"
"""Stored on purpose: these bytes are part of every picture; the changelog tells when they change."""
