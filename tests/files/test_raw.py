"""Camera raws and FITS mosaics: every photosite, the pattern, black and white come back as they were written."""

from __future__ import annotations

import subprocess
import sys
import tarfile
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
import rawpy
from raw_camera import write_dng

from blend.base.errors import InputError
from blend.files.fits import write_fits
from blend.files.raw import PATTERNS, is_raw, peek_mosaic, read_mosaic
from blend.files.reader import read_picture

BLACK = (510, 511, 513, 516)


def counts(shape: tuple[int, int] = (65, 91), seed: int = 0) -> np.ndarray:
    """Return photosites over the whole range, black and white included."""
    return np.random.default_rng(seed).integers(0, 16384, shape).astype(np.uint16)


@pytest.mark.parametrize("pattern", PATTERNS)
@pytest.mark.parametrize("shape", [(64, 90), (65, 91)])
def test_every_photosite_pattern_and_level_comes_back(
    tmp_path: Path, pattern: str, shape: tuple[int, int]
) -> None:
    raw = counts(shape)
    path = tmp_path / "a.dng"
    write_dng(path, raw, pattern=pattern, black=BLACK, white=16383, orientation=6)
    mosaic = read_mosaic(path)
    np.testing.assert_array_equal(mosaic.pixels, raw.astype(np.float32))
    assert mosaic.pixels.dtype == np.float32
    assert mosaic.head.pattern == pattern
    assert (
        mosaic.head.black == BLACK
    )  # in reading order of the cell, though the library orders them by colour
    assert mosaic.head.white == 16383.0
    assert mosaic.head.shape == shape
    assert mosaic.head.facts.rows == "top-down"


def test_the_same_file_through_the_library_alone(tmp_path: Path) -> None:
    raw = counts()
    write_dng(tmp_path / "a.dng", raw, pattern="GBRG", black=BLACK)
    with rawpy.imread(str(tmp_path / "a.dng")) as file:
        np.testing.assert_array_equal(file.raw_image_visible, raw)
        names = file.color_desc.decode()
        assert "".join(names[i] for i in file.raw_colors_visible[:2, :2].ravel()) == "GBRG"
        by_photosite = [file.black_level_per_channel[i] for i in file.raw_colors_visible[:2, :2].ravel()]
    assert tuple(by_photosite) == BLACK


def test_facts_of_the_exposure(tmp_path: Path) -> None:
    date = datetime(2031, 5, 4, 22, 10, 30)
    write_dng(
        tmp_path / "a.dng",
        counts(),
        pattern="RGGB",
        exposure_s=0.125,
        iso=1600,
        temperature_c=-7.5,
        date=date,
        camera="Invented Lantern",
    )
    head = peek_mosaic(tmp_path / "a.dng")
    facts = head.facts
    assert (facts.exposure_s, facts.iso, facts.temperature_c) == (0.125, 1600.0, -7.5)
    assert facts.date_obs == "2031-05-04T22:10:30"
    assert head.camera == "Invented Lantern"


def test_what_is_not_stated_is_none_and_said(tmp_path: Path) -> None:
    write_dng(tmp_path / "a.dng", counts(), pattern="RGGB", black=(0, 0, 0, 0), white=65535)
    head = peek_mosaic(tmp_path / "a.dng")
    assert head.facts.exposure_s is None
    assert head.facts.iso is None
    assert head.facts.temperature_c is None
    assert len(head.notes) == 2
    assert "taken as 0" in head.notes[0]


def test_one_bright_pixel_does_not_move_the_sky(tmp_path: Path) -> None:
    sky = np.full((64, 64), 900, dtype=np.uint16)
    for name, top in (("dim", 1000), ("bright", 16383)):
        sky[10, 10] = top
        write_dng(tmp_path / f"{name}.dng", sky, pattern="RGGB")
    dim, bright = (read_mosaic(tmp_path / f"{name}.dng").pixels for name in ("dim", "bright"))
    assert (dim != bright).sum() == 1


def test_a_dark_averages_to_nothing(tmp_path: Path) -> None:
    rng = np.random.default_rng(3)
    raw = np.rint(512 + rng.normal(0.0, 20.0, (400, 600))).astype(np.uint16)
    write_dng(tmp_path / "d.dng", raw, pattern="RGGB")
    mosaic = read_mosaic(tmp_path / "d.dng")
    # sigma 20 over 240 000 photosites: the mean is good to 0.04; clipping at black would give +7.9
    assert abs(float(np.mean(mosaic.pixels - np.float32(512), dtype=np.float64))) < 0.1


def test_the_clip_level_is_measured(tmp_path: Path) -> None:
    raw = np.random.default_rng(4).integers(600, 9000, (64, 64)).astype(np.uint16)
    raw[:8, :8] = 14400  # twelve per cent below white
    write_dng(tmp_path / "a.dng", raw, pattern="RGGB")
    assert read_mosaic(tmp_path / "a.dng").clip == 14400.0
    raw[:8, :8] = 700
    write_dng(tmp_path / "b.dng", raw, pattern="RGGB")
    assert read_mosaic(tmp_path / "b.dng").clip is None


def test_a_truncated_raw_is_refused(tmp_path: Path) -> None:
    write_dng(tmp_path / "a.dng", counts(), pattern="RGGB")
    whole = (tmp_path / "a.dng").read_bytes()
    (tmp_path / "cut.dng").write_bytes(whole[: len(whole) // 2])
    with pytest.raises(InputError, match=r"cut\.dng: the raw file is damaged or cut short") as fault:
        read_mosaic(tmp_path / "cut.dng")
    assert "copy it from the card again" in str(fault.value)


def test_what_is_no_raw_is_named(tmp_path: Path) -> None:
    (tmp_path / "notes.cr2").write_text("exposure, filter\n" * 40)
    with pytest.raises(InputError, match="it is a text file that begins with 'exposure, filter'"):
        read_mosaic(tmp_path / "notes.cr2")
    with pytest.raises(InputError, match="there is no such file"):
        read_mosaic(tmp_path / "gone.nef")


def test_a_sensor_without_a_mosaic_is_refused(tmp_path: Path) -> None:
    import tifffile

    tags = [(50706, "B", 4, bytes((1, 4, 0, 0)), True), (50708, "s", 0, "Invented Layers", True)]
    tifffile.imwrite(
        tmp_path / "grey.dng",
        np.stack([counts()] * 3, axis=-1),
        photometric=34892,
        metadata=None,
        software=False,
        extratags=tags,
    )
    with pytest.raises(InputError, match=r"expected a camera raw with a 2x2 Bayer mosaic"):
        read_mosaic(tmp_path / "grey.dng")


@pytest.mark.parametrize(
    ("offsets", "pattern"), [((0, 0), "RGGB"), ((1, 0), "GRBG"), ((0, 1), "GBRG"), ((3, 5), "BGGR")]
)
def test_a_fits_mosaic_with_offsets(tmp_path: Path, offsets: tuple[int, int], pattern: str) -> None:
    pixels = counts().astype(np.float32)
    pixels[3, 4] = np.nan
    cards = {"BAYERPAT": "RGGB", "XBAYROFF": offsets[0], "YBAYROFF": offsets[1], "EXPTIME": 60.0}
    cards |= {f"BLACK{n}": float(level) for n, level in enumerate(BLACK, start=1)}
    write_fits(tmp_path / "a.fits", pixels, planes=("photosites",), cards=cards)
    mosaic = read_mosaic(tmp_path / "a.fits")
    assert mosaic.head.pattern == pattern
    assert mosaic.head.black == BLACK
    assert mosaic.head.facts.exposure_s == 60.0
    np.testing.assert_array_equal(mosaic.pixels, pixels)


def test_a_fits_pattern_may_be_given_and_must_be_known(tmp_path: Path) -> None:
    write_fits(tmp_path / "a.fits", counts().astype(np.float32), planes=("x",))
    assert read_mosaic(tmp_path / "a.fits").head.pattern is None
    assert read_mosaic(tmp_path / "a.fits", pattern="gbrg").head.pattern == "GBRG"
    write_fits(tmp_path / "b.fits", counts().astype(np.float32), planes=("x",), cards={"BAYERPAT": "CYGM"})
    with pytest.raises(InputError, match="its BAYERPAT is 'CYGM'"):
        read_mosaic(tmp_path / "b.fits")


def test_three_planes_are_no_mosaic(tmp_path: Path) -> None:
    write_fits(tmp_path / "c.fits", np.zeros((3, 8, 8), np.float32), planes=("red", "green", "blue"))
    with pytest.raises(InputError, match="3 planes"):
        read_mosaic(tmp_path / "c.fits")


def test_the_picture_reader_says_what_to_do_with_a_raw(tmp_path: Path) -> None:
    write_dng(tmp_path / "a.dng", counts(), pattern="RGGB")
    assert is_raw(tmp_path / "a.dng")
    with pytest.raises(InputError, match="blend stack light"):
        read_picture(tmp_path / "a.dng")


@pytest.mark.network
def test_a_real_raw_of_a_camera(tmp_path: Path) -> None:
    # the source distribution of libraw-cffi on PyPI carries one ARW file for its own tests
    command = [sys.executable, "-m", "pip", "download", "--no-deps", "--no-binary", ":all:"]
    done = subprocess.run([*command, "-d", str(tmp_path), "libraw-cffi"], capture_output=True, check=False)
    archives = list(tmp_path.glob("libraw*"))
    if not archives:
        pytest.skip(f"it could not be fetched: {done.stderr.decode()[-200:]}")
    with tarfile.open(archives[0]) as archive:
        member = next(m for m in archive.getmembers() if m.name.lower().endswith(".arw"))
        held = archive.extractfile(member)
        assert held is not None
        (tmp_path / "camera.arw").write_bytes(held.read())
    mosaic = read_mosaic(tmp_path / "camera.arw")
    assert mosaic.head.pattern == "RGGB"
    assert mosaic.head.black == (512.0,) * 4
    assert mosaic.head.white == 16383.0
    assert mosaic.pixels.min() < 512.0 < mosaic.pixels.max()
