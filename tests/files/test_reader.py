"""The door for pictures: content decides, faults say what was found, rows keep their order."""

from __future__ import annotations

import os
from pathlib import Path

import numpy as np
import pytest
import tifffile
from astropy.io import fits

from blend.base.errors import InputError
from blend.base.master import Flag, scaled
from blend.files.fits import write_fits
from blend.files.reader import header_text, peek, read_picture, upright
from blend.files.tiff import write_tiff


def arrow() -> np.ndarray:
    """An arrow that points up and has a longer barb on the left: no flip or turn leaves it as it is."""
    shape = np.zeros((7, 5), np.float32)
    shape[0:7, 2] = 1.0
    shape[1, 1] = shape[1, 3] = shape[2, 0] = 1.0
    return shape


def test_an_arrow_points_up_whatever_the_order_of_rows(tmp_path: Path) -> None:
    fits.writeto(tmp_path / "up.fits", arrow()[::-1])  # the first stored row is the bottom
    fits.writeto(tmp_path / "down.fits", arrow(), fits.Header({"ROWORDER": "TOP-DOWN"}))
    tifffile.imwrite(tmp_path / "a.tif", arrow(), photometric="minisblack")
    for name in ("up.fits", "down.fits", "a.tif"):
        master = read_picture(tmp_path / name)
        assert np.array_equal(upright(master.pixels, master.facts.rows)[0], arrow()), name
    assert not np.array_equal(read_picture(tmp_path / "up.fits").pixels[0], arrow())


def test_an_arrow_survives_writing(tmp_path: Path) -> None:
    for rows in ("bottom-up", "top-down"):
        stored = upright(arrow(), rows)
        write_fits(tmp_path / "a.fits", stored, planes=("ha",), rows=rows)
        master = read_picture(tmp_path / "a.fits")
        assert np.array_equal(upright(master.pixels, master.facts.rows)[0], arrow())
    write_tiff(tmp_path / "a.tif", np.stack([arrow()] * 3))
    master = read_picture(tmp_path / "a.tif")
    assert np.array_equal(upright(master.pixels, master.facts.rows)[1] / 65535.0, arrow())


def test_content_decides_and_not_the_suffix(tmp_path: Path) -> None:
    fits.writeto(tmp_path / "a.fits", np.ones((4, 5), np.float32))
    (tmp_path / "a.fits").rename(tmp_path / "a.tif")
    tifffile.imwrite(tmp_path / "b.tif", np.ones((4, 5), np.uint16), photometric="minisblack")
    (tmp_path / "b.tif").rename(tmp_path / "b.fits")
    assert read_picture(tmp_path / "a.tif").facts.rows == "bottom-up"
    assert read_picture(tmp_path / "b.fits").facts.full_scale == 65535.0
    assert (peek(tmp_path / "a.tif").kind, peek(tmp_path / "b.fits").kind) == ("FITS", "TIFF")
    assert header_text(tmp_path / "a.tif")["NAXIS1"] == "5"


def test_planes_are_named_by_their_number(tmp_path: Path) -> None:
    fits.writeto(tmp_path / "three.fits", np.ones((3, 4, 5), np.float32))
    fits.writeto(tmp_path / "one.fits", np.ones((4, 5), np.float32))
    assert read_picture(tmp_path / "three.fits").planes == ("red", "green", "blue")
    assert read_picture(tmp_path / "one.fits").planes == ("grey",)


def test_missing_pixels_are_flagged_and_a_picture_of_none_is_refused(tmp_path: Path) -> None:
    values = np.ones((3, 4, 5), np.float32)
    values[1, 2, 3] = np.nan
    fits.writeto(tmp_path / "a.fits", values)
    master = read_picture(tmp_path / "a.fits")
    assert np.argwhere(master.has(Flag.NO_DATA)).tolist() == [[2, 3]]
    assert not master.pixels.flags.writeable
    fits.writeto(tmp_path / "b.fits", np.full((4, 5), np.nan))
    with pytest.raises(InputError, match="none of its pixels holds a number"):
        read_picture(tmp_path / "b.fits")


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "the file is empty"),
        (b"exposure = 300\n", "a text file that begins with 'exposure = 300'"),
        (b"SIMPLE\n", "a text file that begins with 'SIMPLE'"),
        (b"\xff\xd8\xff\xe0", "a JPEG picture"),
        (b"\x1f\x8b\x08", "a gzip archive"),
        (b"\0\1\2\3\4\5\6\7\x08", "the bytes 00 01 02 03 04 05 06 07"),
        (b"SIMPLE  =                    T", "it ends within a header"),
        (b"II*\0", "begins like TIFF but cannot be read"),
    ],
)
def test_what_is_no_picture_is_named(tmp_path: Path, content: bytes, words: str) -> None:
    path = tmp_path / "a.fits"
    path.write_bytes(content)
    for read in (read_picture, peek, header_text):
        with pytest.raises(InputError) as fault:
            read(path)
        assert fault.value.exit_code == 3
        assert fault.value.where == str(path)
        assert words in fault.value.found
        assert fault.value.expected


def test_paths_without_a_file_are_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"there is no such file.*check the path"):
        read_picture(tmp_path / "none.fits")
    with pytest.raises(InputError, match="it is a folder"):
        read_picture(tmp_path)
    os.mkfifo(tmp_path / "pipe.fits")
    with pytest.raises(InputError, match="a device or a pipe"):
        read_picture(tmp_path / "pipe.fits")
    (tmp_path / "loop").symlink_to(tmp_path / "loop")
    with pytest.raises(InputError):
        read_picture(tmp_path / "loop")


def test_a_file_that_may_not_be_read(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    fits.writeto(tmp_path / "a.fits", np.ones((4, 5)))

    def refuse(*_: object, **__: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", refuse)  # an administrator may read everything: pretend
    with pytest.raises(InputError, match="permission denied"):
        read_picture(tmp_path / "a.fits")


def test_scaled_makes_fractions_and_changes_nothing_else(tmp_path: Path) -> None:
    fits.writeto(tmp_path / "a.fits", np.array([[0, 32768], [65535, 13107]], dtype=np.uint16))
    master = read_picture(tmp_path / "a.fits")
    part = scaled(master, 65535.0)
    # One float32 division: half a unit in the last place.
    np.testing.assert_allclose(part.pixels[0], [[0.0, 32768 / 65535], [1.0, 0.2]], rtol=6e-8)
    assert master.pixels.max() == 65535.0 and part.facts.full_scale == 65535.0
    assert scaled(master, 1.0) is master
    with pytest.raises(ValueError, match="divided by 0"):
        scaled(master, 0.0)


def test_the_deep_field_goes_round_through_both_formats(tmp_path: Path) -> None:
    from skimage.data import hubble_deep_field

    field = hubble_deep_field()[:200, :300]
    tifffile.imwrite(tmp_path / "a.tif", field, photometric="rgb", compression="lzw")
    first = read_picture(tmp_path / "a.tif")
    assert np.array_equal(first.pixels, np.moveaxis(field, 2, 0).astype(np.float32))
    assert first.facts.full_scale == 255.0
    write_fits(tmp_path / "a.fits", first.pixels, planes=first.planes, rows="top-down")
    second = read_picture(tmp_path / "a.fits")
    assert np.array_equal(second.pixels, first.pixels) and second.facts.rows == "top-down"
    write_tiff(tmp_path / "b.tif", scaled(second, 255.0).pixels)
    # 65535 = 257 * 255: 8-bit codes are exact in 16 bits.
    assert np.array_equal(read_picture(tmp_path / "b.tif").pixels, 257.0 * first.pixels)


def test_random_damage_never_escapes_as_another_error(tmp_path: Path) -> None:
    rng = np.random.default_rng(11)
    fits.CompImageHDU(np.arange(600, dtype=np.int16).reshape(20, 30)).writeto(tmp_path / "a.fits")
    fits.writeto(tmp_path / "b.fits", np.arange(600, dtype=np.int16).reshape(20, 30))
    tifffile.imwrite(tmp_path / "c.tif", np.arange(600, dtype=np.uint16).reshape(20, 30), compression="zlib")
    for name in ("a.fits", "b.fits", "c.tif"):
        whole = (tmp_path / name).read_bytes()
        head = {"a.fits": 8640, "b.fits": 640, "c.tif": len(whole)}[name]
        for _ in range(40):
            data = bytearray(whole)
            for place in rng.integers(9, head, 4):
                data[place] = rng.integers(0, 256)
            path = tmp_path / "damaged"
            path.write_bytes(data)
            try:
                read_picture(path, most_bytes=10**7)
            except InputError as fault:
                assert fault.where == str(path)
