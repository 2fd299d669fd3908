"""Small files that unpack to much: bounded by the memory that is free, and told before anything is unpacked."""

from __future__ import annotations

import gzip
import zlib
from pathlib import Path

import numpy as np
import pytest
import tifffile
from astropy.io import fits

from blend.base import system
from blend.base.errors import InputError
from blend.files import fitstiles, source
from blend.files.fitstiles import unpacks_to_more
from blend.files.reader import peek, read_picture


def blank_tiff(path: Path, edge: int) -> Path:
    """Write a picture of nought that deflates a thousandfold."""
    strip = zlib.compress(bytes(4 * edge), 9)
    form = {"shape": (edge, edge), "dtype": "f4", "photometric": "minisblack", "metadata": None}
    tifffile.imwrite(path, iter([strip] * edge), compression="zlib", rowsperstrip=1, **form)
    return path


@pytest.mark.parametrize("kind", ["tiff", "fits", "tiles"])
def test_pixels_are_bounded_by_free_memory(
    tmp_path: Path, kind: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "a"
    if kind == "tiff":
        blank_tiff(path, 500)
    elif kind == "fits":
        fits.writeto(path, np.zeros((500, 500), np.float32))
    else:
        fits.CompImageHDU(np.zeros((500, 500), np.int16)).writeto(path)
    monkeypatch.setattr(source, "free_memory", lambda: 2_000_000)
    with pytest.raises(InputError, match=r"needs 2\.6 MiB of memory, and 1\.9 MiB are free") as fault:
        read_picture(path)
    assert fault.value.exit_code == 3
    peek(path)
    for plenty in (2_750_000, None):
        monkeypatch.setattr(source, "free_memory", lambda plenty=plenty: plenty)
        assert read_picture(path).shape == (500, 500)


def test_what_others_hold_is_not_free(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(source, "free_memory", lambda: 100)
    with source.room_for(tmp_path, 60):
        words = "needs 50 bytes of memory, and 40 bytes are free"
        with pytest.raises(InputError, match=words), source.room_for(tmp_path, 50):
            pass
        with source.room_for(tmp_path, 40):
            pass
    with source.room_for(tmp_path, 100):
        pass


def test_free_memory_is_a_number_of_this_machine() -> None:
    free = system.free_memory()
    assert free is not None and 2**24 < free < 2**50


def test_the_narrowest_control_group_counts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(system, "_group_memory", lambda: 1000)
    monkeypatch.setattr(system, "_kept", lambda: 24)
    assert system.free_memory() == 1024


def test_pictures_with_a_size_of_their_own_are_no_strips(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "a.tif", np.zeros((64, 64), np.uint8), compression="jpeg")
    with pytest.raises(InputError, match="compressed as JPEG; expected a TIFF without compression"):
        read_picture(tmp_path / "a.tif")


def test_a_tile_that_unpacks_to_more_than_a_tile_is_refused(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    values = np.zeros((1000, 1000), np.int32)
    hdu = fits.CompImageHDU(values, compression_type="GZIP_1", tile_shape=(1000, 1000))
    hdu.writeto(tmp_path / "a.fits")
    assert np.array_equal(read_picture(tmp_path / "a.fits").pixels[0], values)
    # 4 MB of pixels: as if they were more than 8 bytes for each, and a reserve, can be
    monkeypatch.setattr(fitstiles, "SPARE", -5_000_000)
    with pytest.raises(InputError, match=r"one of its compressed tiles unpacks to more than 2\.9 MiB"):
        read_picture(tmp_path / "a.fits")


def test_deflated_bytes_are_counted_over_all_members() -> None:
    packed = gzip.compress(bytes(600)) + gzip.compress(bytes(600))
    assert unpacks_to_more(packed, 1199) and not unpacks_to_more(packed, 1200)
    assert not unpacks_to_more(packed[:20], 1000)
