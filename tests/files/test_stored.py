"""Whole numbers of FITS and TIFF files, read in bands: the bits of an array read at once."""

from __future__ import annotations

import numpy as np
import pytest
import tifffile
from astropy.io import fits

from blend.base.errors import InputError
from blend.base.lazyplanes import LazyPlanes
from blend.files.reader import open_picture, read_picture

KINDS = (np.uint8, np.int16, np.uint16, np.int32, np.uint32)


def numbers(kind, shape=(3, 131, 21)):
    top = np.iinfo(kind)
    return np.random.default_rng(1).integers(top.min, top.max, shape, dtype=kind, endpoint=True)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("shape", [(131, 21), (3, 131, 21)])
def test_fits_integers(tmp_path, kind, shape):
    stored = numbers(kind, shape)
    fits.PrimaryHDU(stored).writeto(tmp_path / "a.fits")
    picture = open_picture(tmp_path / "a.fits")
    assert isinstance(picture.pixels, LazyPlanes)
    wanted = stored.reshape(-1, 131, 21).astype(np.float64).astype(np.float32)
    assert np.asarray(picture.pixels).tobytes() == wanted.tobytes()
    assert np.array_equal(picture.pixels[0][1::7], wanted[0][1::7])
    for key in (5, (slice(3, 40), slice(2, 9)), (slice(None), -1), (np.array([[7], [130]]), np.arange(21))):
        assert np.array_equal(picture.pixels[-1][key], wanted[-1][key])
    assert read_picture(tmp_path / "a.fits").pixels.tobytes() == wanted.tobytes()
    third = picture.pixels.divided(3.0)
    assert np.asarray(third).tobytes() == (wanted / np.float32(3.0)).tobytes()


@pytest.mark.parametrize("order", ["<", ">"])
@pytest.mark.parametrize("config", ["contig", "separate"])
def test_tiff_integers(tmp_path, order, config):
    stored = numbers(np.uint16)
    picture = stored if config == "separate" else np.moveaxis(stored, 0, 2)
    tifffile.imwrite(
        tmp_path / "a.tif", picture, photometric="rgb", planarconfig=config, byteorder=order, metadata=None
    )
    found = open_picture(tmp_path / "a.tif")
    assert isinstance(found.pixels, LazyPlanes)
    assert np.asarray(found.pixels).tobytes() == stored.astype(np.float32).tobytes()
    assert np.array_equal(found.pixels[1][5:50, ::3], stored[1, 5:50, ::3])


def test_packed_and_floating_files_are_read_at_once(tmp_path):
    tifffile.imwrite(tmp_path / "a.tif", numbers(np.uint16, (40, 30)), compression="zlib")
    fits.PrimaryHDU(np.random.default_rng(2).random((40, 30), dtype=np.float32)).writeto(tmp_path / "a.fits")
    header = fits.Header({"BLANK": -5})
    fits.PrimaryHDU(numbers(np.int16, (40, 30)), header).writeto(tmp_path / "b.fits")
    for name in ("a.tif", "a.fits", "b.fits"):
        assert isinstance(open_picture(tmp_path / name).pixels, np.ndarray)


def test_a_file_that_shrinks_after_it_was_opened_is_refused(tmp_path):
    path = tmp_path / "a.fits"
    fits.PrimaryHDU(numbers(np.uint16)).writeto(path)
    picture = open_picture(path)
    path.write_bytes(path.read_bytes()[:4000])
    for ask in (np.asarray, lambda planes: planes[2][::3]):
        with pytest.raises(InputError, match=r"cut short|read any more"):
            ask(picture.pixels)
    path.unlink()
    with pytest.raises(InputError, match="read any more"):
        np.asarray(picture.pixels)
