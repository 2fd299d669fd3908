"""TIFF: every kind of storage written by tifffile and read back; what is written is 16-bit sRGB."""

from __future__ import annotations

import io
from fractions import Fraction
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import tifffile

from blend.base.errors import InputError
from blend.base.master import Facts
from blend.files import tiff
from blend.files.srgb import srgb_profile
from blend.files.tiff import open_tiff, peek_tiff, tiff_header_text, write_tiff

TOPS = {
    "uint8": 255.0,
    "int16": 32767.0,
    "uint16": 65535.0,
    "uint32": 2.0**32 - 1,
    "float16": None,
    "float32": None,
    "float64": None,
}


def read_tiff(path: Path, **limits: int) -> tuple[np.ndarray, Facts]:
    pixels, facts = open_tiff(path, **limits)
    return np.asarray(pixels), facts


def picture(dtype: str, shape: tuple[int, ...] = (70, 33, 3)) -> np.ndarray:
    rng = np.random.default_rng(5)
    if dtype.startswith("float"):
        return rng.normal(0.0, 100.0, shape).astype(dtype)
    ends = np.iinfo(dtype)
    return rng.integers(ends.min, ends.max, shape, endpoint=True).astype(dtype)


def planar(values: np.ndarray) -> np.ndarray:
    return (np.moveaxis(values, 2, 0) if values.ndim == 3 else values[np.newaxis]).astype(np.float32)


@pytest.mark.parametrize("dtype", TOPS)
@pytest.mark.parametrize("kind", ["rgb", "minisblack"])
def test_every_depth_comes_back(tmp_path: Path, dtype: str, kind: str) -> None:
    values = picture(dtype) if kind == "rgb" else picture(dtype, (70, 33))
    tifffile.imwrite(tmp_path / "a.tif", values, photometric=kind)
    pixels, facts = read_tiff(tmp_path / "a.tif")
    assert pixels.dtype == np.float32 and pixels.flags.c_contiguous
    assert np.array_equal(pixels, planar(values))
    assert facts.full_scale == TOPS[dtype] and facts.rows == "top-down"
    seen = peek_tiff(tmp_path / "a.tif")
    assert (seen.shape, seen.depth, len(seen.planes)) == ((70, 33), dtype, pixels.shape[0])


@pytest.mark.parametrize(
    "options",
    [
        {"compression": "lzw"},
        {"compression": "lzw", "predictor": 2},
        {"compression": "zlib"},
        {"compression": "zlib", "predictor": 2},
        {"compression": "zstd"},
        {"tile": (32, 16)},
        {"tile": (32, 16), "compression": "zstd", "predictor": 2},
        {"bigtiff": True},
        {"byteorder": ">"},
        {"byteorder": ">", "bigtiff": True, "compression": "lzw", "predictor": 2},
        {"rowsperstrip": 7},
        {"rowsperstrip": 7, "compression": "zlib"},
    ],
    ids=str,
)
@pytest.mark.parametrize("layout", ["contig", "separate"])
@pytest.mark.parametrize("dtype", ["uint16", "float32"])
def test_every_storage_comes_back(tmp_path: Path, options: dict[str, Any], layout: str, dtype: str) -> None:
    values = picture(dtype)
    if dtype == "float32" and "predictor" in options:
        options = options | {"predictor": 3}  # the predictor for floats
    stored = values if layout == "contig" else np.moveaxis(values, 2, 0)
    tifffile.imwrite(tmp_path / "a.tif", stored, photometric="rgb", planarconfig=layout, **options)
    assert np.array_equal(read_tiff(tmp_path / "a.tif")[0], planar(values))


def test_alpha_and_later_pages_are_left_out(tmp_path: Path) -> None:
    values = picture("uint16", (20, 10, 4))
    with tifffile.TiffWriter(tmp_path / "a.tif") as file:
        file.write(values, photometric="rgb", extrasamples=["unassalpha"])
        file.write(values[..., 0], photometric="minisblack")
    assert np.array_equal(read_tiff(tmp_path / "a.tif")[0], planar(values[..., :3]))
    tifffile.imwrite(
        tmp_path / "b.tif", values[..., :2], photometric="minisblack", planarconfig="contig", extrasamples=[2]
    )
    assert np.array_equal(read_tiff(tmp_path / "b.tif")[0], planar(values[..., :1]))


def test_nan_stays_and_infinities_become_nan(tmp_path: Path) -> None:
    values = np.array([[1.0, np.nan, np.inf, -np.inf, 1e300, -2.0]] * 8)
    tifffile.imwrite(tmp_path / "a.tif", values, photometric="minisblack")
    np.testing.assert_array_equal(read_tiff(tmp_path / "a.tif")[0][0, 0], [1.0] + [np.nan] * 4 + [-2.0])


@pytest.mark.parametrize("compression", [None, "zlib", "lzw"])
@pytest.mark.parametrize("share", [0.1, 0.5, 0.97])
def test_a_file_cut_short_is_refused(tmp_path: Path, compression: str | None, share: float) -> None:
    data = io.BytesIO()
    tifffile.imwrite(data, picture("uint16"), photometric="rgb", compression=compression, rowsperstrip=8)
    (tmp_path / "a.tif").write_bytes(data.getvalue()[: int(share * len(data.getvalue()))])
    for read in (read_tiff, peek_tiff):
        with pytest.raises(InputError) as fault:
            read(tmp_path / "a.tif")
        assert fault.value.where == str(tmp_path / "a.tif")


@pytest.mark.parametrize("size", [4, 7, 8, 40, 150])
def test_a_header_cut_short_is_refused(tmp_path: Path, size: int) -> None:
    tifffile.imwrite(tmp_path / "a.tif", picture("uint16"), photometric="rgb")
    (tmp_path / "a.tif").write_bytes((tmp_path / "a.tif").read_bytes()[:size])
    with pytest.raises(InputError):
        read_tiff(tmp_path / "a.tif")


@pytest.mark.parametrize("compression", [None, "zlib"])
def test_tags_that_promise_too_much_are_refused_before_allocation(
    tmp_path: Path, compression: str | None
) -> None:
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, picture("uint16"), photometric="rgb", compression=compression)
    with tifffile.TiffFile(path, mode="r+") as file:
        for name in ("ImageWidth", "ImageLength"):
            file.pages[0].tags[name].overwrite(2_000_000_000)
    with pytest.raises(InputError, match="promises a picture of"):
        read_tiff(path)
    with pytest.raises(InputError):
        peek_tiff(path)


def test_damaged_strips_are_refused(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, picture("uint16"), photometric="rgb", compression="zlib", rowsperstrip=70)
    with tifffile.TiffFile(path) as file:
        offset = file.pages[0].dataoffsets[0]
    data = bytearray(path.read_bytes())
    data[offset : offset + 40] = b"\xff" * 40
    path.write_bytes(data)
    with pytest.raises(InputError, match="cannot be read"):
        read_tiff(path)


def test_missing_strips_are_not_filled_with_zeros(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, picture("uint16"), photometric="rgb", rowsperstrip=10, compression="zlib")
    with tifffile.TiffFile(path, mode="r+") as file:
        tag = file.pages[0].tags["StripByteCounts"]
        tag.overwrite((0, *tag.value[1:]))
    with pytest.raises(InputError, match="only 6 of its 7 strips or tiles"):
        read_tiff(path)


@pytest.mark.parametrize(
    ("values", "options"),
    [
        (np.zeros((8, 8, 4), np.uint8), {"photometric": "separated"}),
        (np.zeros((8, 8), np.uint8), {"photometric": "miniswhite"}),
        (np.zeros((8, 8), np.uint8), {"photometric": "palette", "colormap": np.zeros((3, 256), np.uint16)}),
        (np.zeros((8, 8), bool), {"photometric": "minisblack"}),
        (np.zeros((8, 8), np.complex64), {"photometric": "minisblack"}),
        (np.zeros((8, 8, 5), np.uint8), {"photometric": "minisblack", "planarconfig": "contig"}),
        (np.zeros((8, 8), np.uint16), {"photometric": "cfa"}),
    ],
    ids=lambda value: value["photometric"] if isinstance(value, dict) else str(value.dtype),
)
def test_other_kinds_of_pictures_are_refused(
    tmp_path: Path, values: np.ndarray, options: dict[str, Any]
) -> None:
    tifffile.imwrite(tmp_path / "a.tif", values, **options)
    with pytest.raises(InputError) as fault:
        peek_tiff(tmp_path / "a.tif")
    assert fault.value.exit_code == 3 and fault.value.advice


def test_facts_come_from_tags_and_are_not_invented(tmp_path: Path) -> None:
    tags = [(33434, 5, 1, (1, 30), True), (274, 3, 1, 4, True)]
    options: dict[str, Any] = {"photometric": "rgb", "description": "x", "metadata": None}
    tifffile.imwrite(tmp_path / "a.tif", picture("uint16"), extratags=tags, **options)
    facts = read_tiff(tmp_path / "a.tif")[1]
    assert facts.exposure_s == pytest.approx(float(Fraction(1, 30))) and facts.rows == "bottom-up"
    assert (facts.iso, facts.date_obs, facts.frames) == (None, None, None)
    assert tiff_header_text(tmp_path / "a.tif")["ImageDescription"] == "x"


def test_what_is_written_is_sixteen_bit_srgb(tmp_path: Path) -> None:
    display = np.random.default_rng(2).random((3, 70, 9), dtype=np.float32)
    display[:, 0, :4] = np.array([np.nan, -0.1, 1.1, 0.5])
    for name in ("a.tif", "b.tif"):
        write_tiff(tmp_path / name, display, resolution_dpi=300)
    assert (tmp_path / "a.tif").read_bytes() == (tmp_path / "b.tif").read_bytes()
    with tifffile.TiffFile(tmp_path / "a.tif") as file:
        page = file.pages[0]
        stored = page.asarray()
        assert page.photometric.name == "RGB" and page.bitspersample == 16 and not file.is_bigtiff
        assert page.tags[34675].value == srgb_profile()
        assert 306 not in page.tags  # no date
        assert page.tags[282].value == (300, 1)
    assert stored[0, :4].tolist() == [[0] * 3, [0] * 3, [65535] * 3, [32768] * 3]
    # Half a step of 16 bits is the most that rounding may move a pixel.
    back = read_tiff(tmp_path / "a.tif")[0] / 65535.0
    assert np.nanmax(np.abs(back[:, 1:] - display[:, 1:])) <= 0.5 / 65535 + 1e-7


def test_large_pictures_become_bigtiff_before_the_first_byte(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    display = np.zeros((3, 8, 8), np.float32)
    monkeypatch.setattr(tiff, "CLASSIC_LIMIT", 8 * 8 * 3 * 2 - 1)
    write_tiff(tmp_path / "a.tif", display)
    assert tifffile.TiffFile(tmp_path / "a.tif").is_bigtiff
    monkeypatch.setattr(tiff, "CLASSIC_LIMIT", 8 * 8 * 3 * 2)
    write_tiff(tmp_path / "b.tif", display)
    assert not tifffile.TiffFile(tmp_path / "b.tif").is_bigtiff
