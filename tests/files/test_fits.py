"""FITS: every kind that the standard allows for one picture, written by astropy and read back."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits
from astropy.wcs import WCS

from blend.base.errors import InputError
from blend.files.fits import fits_header_text, peek_fits, read_fits, write_fits

TOPS = {
    "uint8": 255.0,
    "int16": 32767.0,
    "uint16": 65535.0,
    "int32": 2.0**31 - 1,
    "uint32": 2.0**32 - 1,
    "float32": None,
    "float64": None,
}


def picture(dtype: str, shape: tuple[int, ...] = (3, 70, 9)) -> np.ndarray:
    """Both ends of the type's range and random numbers between; 70 rows are more than one block."""
    rng = np.random.default_rng(5)
    if dtype.startswith("float"):
        values = rng.normal(0.0, 1e3, shape)
    else:
        ends = np.iinfo(dtype)
        values = rng.integers(ends.min, ends.max, shape, endpoint=True)
        values.flat[:2] = (ends.min, ends.max)
    return values.astype(dtype)


def celestial() -> WCS:
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = [23.46, 30.66]
    wcs.wcs.crpix = [5.0, 4.0]
    wcs.wcs.cdelt = [-0.001, 0.001]
    return wcs


@pytest.mark.parametrize("dtype", TOPS)
@pytest.mark.parametrize("shape", [(70, 9), (3, 70, 9)])
def test_every_depth_comes_back_as_native_float32(tmp_path: Path, dtype: str, shape: tuple[int, ...]) -> None:
    values = picture(dtype, shape)
    fits.writeto(tmp_path / "a.fits", values)
    pixels, facts = read_fits(tmp_path / "a.fits")
    assert pixels.dtype == np.dtype("=f4") and pixels.flags.c_contiguous
    # float32 of the true number, rounded once: equality, no tolerance.
    assert np.array_equal(pixels, values.reshape(pixels.shape).astype(np.float32))
    assert facts.full_scale == TOPS[dtype]
    assert peek_fits(tmp_path / "a.fits").depth == dtype


def test_signed_bytes_and_unsigned_words_are_offset_integers(tmp_path: Path) -> None:
    # FITS Standard 4.0, table 11: stored -32768, -1, 0, 32767 mean 0, 32767, 32768, 65535.
    fits.writeto(tmp_path / "u.fits", np.array([[0, 32767], [32768, 65535]], dtype=np.uint16))
    with fits.open(tmp_path / "u.fits", do_not_scale_image_data=True) as hdus:
        assert hdus[0].data.ravel().tolist() == [-32768, -1, 0, 32767]
    assert read_fits(tmp_path / "u.fits")[0].ravel().tolist() == [0.0, 32767.0, 32768.0, 65535.0]
    fits.writeto(tmp_path / "s.fits", np.array([[-128, 127]], dtype=np.int8))
    pixels, facts = read_fits(tmp_path / "s.fits")
    assert pixels.ravel().tolist() == [-128.0, 127.0] and facts.full_scale == 127.0


def test_scaled_integers_are_floats_without_a_known_full_scale(tmp_path: Path) -> None:
    hdu = fits.PrimaryHDU(np.array([[-5, 0], [7, 30000]], dtype=np.int16))
    hdu.header["BSCALE"], hdu.header["BZERO"] = 0.25, 10.0
    hdu.writeto(tmp_path / "a.fits")
    raw = (tmp_path / "a.fits").read_bytes()
    stored = np.frombuffer(raw[2880:2888], ">i2").astype(float)
    with fits.open(tmp_path / "a.fits") as hdus:
        header = hdus[0].header
        wanted = stored * header.get("BSCALE", 1.0) + header.get("BZERO", 0.0)
    pixels, _ = read_fits(tmp_path / "a.fits")
    assert pixels.ravel().tolist() == wanted.tolist()


def _with_cards(path: Path, values: np.ndarray, **cards: object) -> Path:
    """Write stored integers and cards that astropy would apply or drop, by hand."""
    header = fits.PrimaryHDU(values).header
    header.update(cards)
    data = values.astype(values.dtype.newbyteorder(">")).tobytes()
    path.write_bytes(header.tostring().encode() + data + b"\0" * (-len(data) % 2880))
    return path


def test_scale_zero_and_blank_apply_to_stored_numbers(tmp_path: Path) -> None:
    stored = np.array([[-5, 0], [7, -32768]], dtype=np.int16)
    path = _with_cards(tmp_path / "a.fits", stored, BSCALE=0.25, BZERO=10.0, BLANK=-32768)
    pixels, facts = read_fits(path)
    np.testing.assert_array_equal(pixels[0], [[8.75, 10.0], [11.75, np.nan]])
    assert facts.full_scale is None
    assert peek_fits(path).depth == "float32"


def test_blank_is_no_data_and_so_are_infinities(tmp_path: Path) -> None:
    path = _with_cards(tmp_path / "a.fits", np.array([[-1, 4]], dtype=np.int16), BLANK=-1)
    np.testing.assert_array_equal(read_fits(path)[0], [[[np.nan, 4.0]]])
    values = np.array([[np.inf, -np.inf, np.nan, 1e300, 2.0]])
    fits.writeto(tmp_path / "b.fits", values)
    np.testing.assert_array_equal(read_fits(tmp_path / "b.fits")[0], [[[np.nan] * 4 + [2.0]]])


@pytest.mark.parametrize(
    ("shape", "planes"),
    [((1, 6, 5), 1), ((6, 5, 3), 3), ((6, 5, 1), 1), ((1, 3, 6, 5), 3), ((1, 1, 6, 5), 1)],
)
def test_planes_may_stand_first_last_or_beneath_empty_axes(
    tmp_path: Path, shape: tuple[int, ...], planes: int
) -> None:
    values = picture("float32", shape)
    fits.writeto(tmp_path / "a.fits", values)
    wanted = np.moveaxis(values, 2, 0) if len(shape) == 3 and shape[0] == 6 else values.reshape(planes, 6, 5)
    assert np.array_equal(read_fits(tmp_path / "a.fits")[0], wanted)
    assert peek_fits(tmp_path / "a.fits").shape == (6, 5)


@pytest.mark.parametrize("shape", [(2, 6, 5), (4, 6, 5), (2, 3, 6, 5)])
def test_other_numbers_of_planes_are_refused_by_name(tmp_path: Path, shape: tuple[int, ...]) -> None:
    fits.writeto(tmp_path / "a.fits", np.zeros(shape, np.float32))
    with pytest.raises(InputError) as fault:
        read_fits(tmp_path / "a.fits")
    assert " x ".join(map(str, reversed(shape))) in fault.value.found
    assert fault.value.exit_code == 3


def test_the_picture_may_be_in_a_later_hdu_and_inherits_facts(tmp_path: Path) -> None:
    values = picture("uint16", (6, 5))
    primary = fits.PrimaryHDU()
    primary.header["EXPTIME"] = 300.0
    primary.header["FILTER"] = "wide"
    table = fits.BinTableHDU.from_columns([fits.Column("x", "E", array=np.zeros(3))])
    image = fits.ImageHDU(values)
    image.header["FILTER"] = "Ha"
    fits.HDUList([primary, table, image]).writeto(tmp_path / "a.fits")
    pixels, facts = read_fits(tmp_path / "a.fits")
    assert np.array_equal(pixels[0], values.astype(np.float32))
    assert (facts.exposure_s, facts.filter, facts.full_scale) == (300.0, "Ha", 65535.0)


@pytest.mark.parametrize("kind", ["RICE_1", "GZIP_1", "GZIP_2", "HCOMPRESS_1"])
@pytest.mark.parametrize("dtype", ["uint8", "int16", "uint16", "int32"])
def test_compressed_tiles_are_the_same_picture(tmp_path: Path, kind: str, dtype: str) -> None:
    values = np.clip(picture(dtype, (70, 16)), 0, 200)  # the transform of HCOMPRESS grows large numbers
    fits.CompImageHDU(values, compression_type=kind).writeto(tmp_path / "a.fits.fz")
    pixels, facts = read_fits(tmp_path / "a.fits.fz")
    assert np.array_equal(pixels[0], values.astype(np.float32))
    assert facts.full_scale == TOPS[dtype]
    assert peek_fits(tmp_path / "a.fits.fz").shape == (70, 16)


@pytest.mark.parametrize("shape", [(3, 20, 16), (20, 16, 3)])
def test_compressed_floats_and_cubes(tmp_path: Path, shape: tuple[int, ...]) -> None:
    values = picture("float32", shape)
    values[0, 5, 1] = np.nan
    hdu = fits.CompImageHDU(values, compression_type="GZIP_2", quantize_level=0)
    hdu.header["EXPTIME"] = 60.0
    hdu.writeto(tmp_path / "a.fits")
    pixels, facts = read_fits(tmp_path / "a.fits")
    np.testing.assert_array_equal(pixels, values if shape[0] == 3 else np.moveaxis(values, 2, 0))
    assert facts.exposure_s == 60.0 and facts.full_scale is None


def test_compressed_blank_is_no_data(tmp_path: Path) -> None:
    values = np.array([[3, -9, 5, 6]] * 4, dtype=np.int16)
    hdu = fits.CompImageHDU(values, compression_type="GZIP_1")
    hdu.header["BLANK"] = -9
    hdu.writeto(tmp_path / "a.fits")
    assert np.isnan(read_fits(tmp_path / "a.fits")[0][0, :, 1]).all()


def test_a_header_that_promises_too_much_is_refused_before_allocation(tmp_path: Path) -> None:
    path = tmp_path / "a.fits"
    fits.writeto(path, np.zeros((10, 20), np.float32))
    data = path.read_bytes()
    grown = data.replace(b"NAXIS1  =                   20", b"NAXIS1  =           2000000000")
    grown = grown.replace(b"NAXIS2  =                   10", b"NAXIS2  =           2000000000")
    assert grown != data
    path.write_bytes(grown)
    for read, words in ((read_fits, "promises a picture of 1.5e+10 GiB"), (peek_fits, "cut short")):
        with pytest.raises(InputError) as fault:
            read(path)
        assert words in str(fault.value), fault.value
    fits.writeto(tmp_path / "b.fits", np.zeros((10, 20), np.float32))
    with pytest.raises(InputError, match="at most 799 bytes"):
        read_fits(tmp_path / "b.fits", most_bytes=799)
    read_fits(tmp_path / "b.fits", most_bytes=800)


def test_compressed_promises_are_checked_too(tmp_path: Path) -> None:
    path = tmp_path / "a.fits"
    fits.CompImageHDU(np.zeros((10, 20), np.int16)).writeto(path)
    data = path.read_bytes()
    grown = data.replace(b"ZNAXIS2 =                   10", b"ZNAXIS2 =                10000")
    assert grown != data
    path.write_bytes(grown)
    with pytest.raises(InputError, match=r"has 10 tiles; expected 10000"):
        read_fits(path)
    with pytest.raises(InputError, match="at most 1000 bytes"):
        read_fits(path, most_bytes=1000)


@pytest.mark.parametrize("compressed", [False, True])
def test_a_file_cut_short_is_refused(tmp_path: Path, compressed: bool) -> None:
    path = tmp_path / "a.fits"
    values = picture("int16", (200, 60))
    (fits.CompImageHDU(values) if compressed else fits.PrimaryHDU(values)).writeto(path)
    data = path.read_bytes()
    path.write_bytes(data[: int(0.6 * len(data))])
    for read in (read_fits, peek_fits):
        with pytest.raises(InputError, match="cut short"):
            read(path)


@pytest.mark.parametrize("size", [20, 80, 700, 2879, 2880])
def test_a_header_cut_short_or_without_pixels_is_refused(tmp_path: Path, size: int) -> None:
    path = tmp_path / "a.fits"
    fits.writeto(path, picture("int16", (20, 60)))
    path.write_bytes(path.read_bytes()[:size])
    with pytest.raises(InputError):
        read_fits(path)


@pytest.mark.parametrize(
    "change",
    [
        (b"BITPIX  =                   16", b"BITPIX  =                   12"),
        (b"NAXIS1  =                   60", b"NAXIS1  =                  -60"),
        (b"NAXIS2  =                   20", b"NAXIS2  =                    0"),
        (b"NAXIS2  =                   20", b"NAXIS2  = 'twenty'            "),
        (b"NAXIS   =                    2", b"NAXIS   =                    1"),
    ],
)
def test_nonsense_in_the_header_is_refused(tmp_path: Path, change: tuple[bytes, bytes]) -> None:
    path = tmp_path / "a.fits"
    fits.writeto(path, picture("int16", (20, 60)))
    data = path.read_bytes()
    assert change[0] in data
    path.write_bytes(data.replace(*change))
    with pytest.raises(InputError):
        read_fits(path)


def test_facts_and_coordinates_come_from_cards(tmp_path: Path) -> None:
    header = celestial().to_header()
    header["EXPTIME"], header["NCOMBINE"], header["CCD-TEMP"], header["EGAIN"] = 300.0, 24, -10.0, 1.5
    header["SITELAT"], header["SITELONG"], header["SITEELEV"] = "45 30 00", "-7 15 00", 400.0
    header["DATE-OBS"], header["ROWORDER"], header["BAYERPAT"] = "2024-09-18T22:10:05.5", "TOP-DOWN", "RGGB"
    fits.writeto(tmp_path / "a.fits", picture("float32", (3, 6, 5)), header)
    facts = peek_fits(tmp_path / "a.fits").facts
    assert (facts.exposure_s, facts.frames, facts.temperature_c, facts.gain_e) == (300.0, 24, -10.0, 1.5)
    assert facts.site == (45.5, -7.25, 400.0)
    assert facts.date_obs == "2024-09-18T22:10:05.5" and facts.rows == "top-down"
    # The first pixel of the file is (0, 0): CRPIX counts from 1.
    world = facts.wcs.pixel_to_world_values(4.0, 3.0)
    np.testing.assert_allclose(world, (23.46, 30.66), atol=1e-9)
    assert fits_header_text(tmp_path / "a.fits")["BAYERPAT"] == "RGGB"


def test_coordinates_that_do_not_work_are_none(tmp_path: Path) -> None:
    header = celestial().to_header()
    header["CDELT1"] = 0.0
    fits.writeto(tmp_path / "a.fits", picture("float32", (6, 5)), header)
    assert read_fits(tmp_path / "a.fits")[1].wcs is None
    fits.writeto(tmp_path / "b.fits", picture("float32", (6, 5)))
    assert read_fits(tmp_path / "b.fits")[1].wcs is None


@pytest.mark.parametrize(("brightest", "full_scale"), [(900.0, 1000.0), (1000.0, None), (1200.0, None)])
def test_datamax_counts_only_above_the_brightest_pixel(
    tmp_path: Path, brightest: float, full_scale: float | None
) -> None:
    header = fits.Header({"DATAMAX": 1000.0})
    fits.writeto(tmp_path / "a.fits", np.array([[1.0, brightest]], dtype=np.float32), header)
    assert read_fits(tmp_path / "a.fits")[1].full_scale == full_scale


def test_what_is_written_is_sound_fits_and_comes_back(tmp_path: Path) -> None:
    values = picture("float32")
    values[1, 2, 3] = np.nan
    values.flags.writeable = False
    cards = {"EXPTIME": (300.0, "s"), "FILTER": "Hα\nwide", "EGAIN": None, "SATURATE": float("nan")}
    write_fits(
        tmp_path / "a.fits",
        values,
        planes=("red", "green", "blue"),
        cards=cards,
        wcs=celestial(),
        rows="top-down",
    )
    with fits.open(tmp_path / "a.fits") as hdus:
        hdus.verify("exception")
        header = hdus[0].header
        assert hdus[0].data.dtype == np.dtype(">f4")
    assert (tmp_path / "a.fits").stat().st_size % 2880 == 0
    assert header["PLANE2"] == "green" and header["FILTER"] == "H? wide" and "DATE" not in header
    assert "EGAIN" not in header and "SATURATE" not in header
    pixels, facts = read_fits(tmp_path / "a.fits")
    np.testing.assert_array_equal(pixels, values)
    assert facts.rows == "top-down" and facts.exposure_s == 300.0
    assert facts.wcs.wcs.compare(read_fits(tmp_path / "a.fits")[1].wcs.wcs)
    np.testing.assert_allclose(facts.wcs.pixel_to_world_values(4.0, 3.0), (23.46, 30.66), atol=1e-9)


@pytest.mark.parametrize("extra", [{}, {"EXPTIME": 0.5}, {"EMPTY": ""}, {"LONG": 40 * "it's "}, {"lower": 1}])
def test_a_header_is_the_one_that_astropy_writes(tmp_path: Path, extra: dict[str, Any]) -> None:
    cards = {"CONTENT": "it's Ünder", "COUNT": -12, "BIG": 2**40, "KEPT": (True, "a word"), **extra}
    write_fits(tmp_path / "a.fits", np.zeros((1, 2, 3), np.float32), planes=("ha",), cards=cards)
    own = fits.getheader(tmp_path / "a.fits")
    expected = fits.Header()
    for key in own:
        expected[key] = (own[key], own.comments[key])
    written = (tmp_path / "a.fits").read_bytes()[:2880]
    assert written == expected.tostring(sep="", endcard=True, padding=True).encode("ascii")
    said = {**cards, "CONTENT": "it's ?nder", "KEPT": True}
    assert {key: own[key] for key in said} == {
        k: v.strip() if isinstance(v, str) else v for k, v in said.items()
    }


def test_a_row_order_among_the_cards_counts_and_stands_once(tmp_path: Path) -> None:
    write_fits(tmp_path / "a.fits", np.ones((4, 5)), planes=("ha",), cards={"ROWORDER": "TOP-DOWN"})
    assert read_fits(tmp_path / "a.fits")[1].rows == "top-down"
    assert fits.getheader(tmp_path / "a.fits").count("ROWORDER") == 1


def test_one_plane_is_written_with_two_axes_and_the_same_bytes_twice(tmp_path: Path) -> None:
    values = picture("float32", (1, 70, 9))
    for name in ("a.fits", "b.fits"):
        write_fits(tmp_path / name, values, planes=("ha",), cards={"NCOMBINE": np.int64(3)}, wcs=celestial())
    assert (tmp_path / "a.fits").read_bytes() == (tmp_path / "b.fits").read_bytes()
    assert fits.getheader(tmp_path / "a.fits")["NAXIS"] == 2
    write_fits(tmp_path / "c.fits", values[0, ::-1].astype(">f8"), planes=("ha",))
    assert np.array_equal(fits.getdata(tmp_path / "c.fits"), values[0, ::-1])
