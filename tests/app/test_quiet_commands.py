"""No warning of a library reaches the terminal, and no number that cannot be; what matters is said in words."""

from __future__ import annotations

import os
import re
import subprocess
import sys
import warnings
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits
from numpy.typing import NDArray

from blend.app.inspect import inspect_files
from blend.files.reader import coordinates_fault, read_picture

SHAPE = (96, 128)
OBSERVATORY = {
    "CTYPE1": "PIXEL",
    "CTYPE2": "PIXEL",
    "PC001001": 1.0,
    "PC001002": 0.0,
    "PC002001": 1.0,
    "PC002002": 0.0,
    "RADECSYS": "FK5",
    "MJD-OBS": 58893.8022,
    "DATE-OBS": "2020-02-14T19:15:15",
}
"""Cards in an observatory's old style: astropy warns of five of them."""
SOLVED = {
    "CTYPE1": "RA---TAN",
    "CTYPE2": "DEC--TAN",
    "CRVAL1": 10.0,
    "CRVAL2": 20.0,
    "CRPIX1": 64.5,
    "CRPIX2": 48.5,
    "CD1_1": -1e-4,
    "CD2_2": 1e-4,
    "RADECSYS": "FK5",
    "DATE-OBS": "2020-02-14",
}


def sky(level: float = 0.1, seed: int = 3) -> NDArray[np.float32]:
    return np.random.default_rng(seed).normal(level, 0.002, SHAPE).astype(np.float32)


def save(path: Path, pixels: NDArray[Any], **cards: Any) -> Path:
    header = fits.Header()
    header.update(cards)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        fits.PrimaryHDU(np.asarray(pixels, dtype=np.float32), header).writeto(path)
    return path


def odd_frames(folder: Path) -> list[Path]:
    """Write pictures of which something cannot be measured."""
    holes, rows, plane = sky(), sky(), np.stack([sky(seed=n) for n in range(3)])
    holes[:48], rows[::2], plane[1] = np.nan, np.nan, np.nan
    sparse = np.where(np.random.default_rng(4).random(SHAPE) < 0.9, np.nan, sky())
    frames = {
        "half": holes,
        "rows": rows,
        "plane": plane,
        "sparse": sparse,
        "constant": np.full(SHAPE, 0.1),
        "zero": np.zeros(SHAPE),
        "subtracted": sky(0.0),
        "negative": sky(-0.5),
        "near-zero": sky(0.003) + np.linspace(-0.01, 0.01, SHAPE[1]),
        "pixel": np.full((1, 1), 0.1),
        "row": sky()[:1],
        "tiny": sky()[:8, :8],
    }
    paths = [save(folder / f"{name}.fits", pixels) for name, pixels in frames.items()]
    for name, level in (("mosaic", 900.0), ("dark-taken-out", -900.0)):
        mosaic = sky() * 1e3 + level
        paths.append(save(folder / f"{name}.fits", mosaic, BAYERPAT="RGGB", SATURATE=4095.0))
    return paths


def run(*words: object, folder: Path) -> tuple[int, str, str]:
    done = subprocess.run(
        [sys.executable, "-c", "from blend.app.cli import main; main()", *map(str, words)],
        capture_output=True,
        text=True,
        cwd=folder,
        timeout=120,
        check=False,
        env={**os.environ, "PYTHONWARNINGS": "default"},
    )
    return done.returncode, done.stdout, done.stderr


def test_commands_show_no_warning_of_a_library(tmp_path: Path) -> None:
    headers = [save(tmp_path / f"o{n}.fits", sky(seed=n) * 6e4, **OBSERVATORY) for n in range(4)]
    headers += [save(tmp_path / f"s{n}.fits", sky(seed=n), **SOLVED) for n in range(4)]
    code, out, err = run("inspect", *headers, *odd_frames(tmp_path), folder=tmp_path)
    assert (code, err) == (0, "")
    assert "Warning" not in out and "RADECSYS" not in out
    code, out, err = run("stack", "dark", *headers[:4], "--out", "dark.fits", "--quiet", folder=tmp_path)
    assert code == 0
    assert "Warning" not in out + err
    code, out, err = run("stack", "light", *headers[4:], "--out", "m.fits", "--quiet", folder=tmp_path)
    assert "Warning" not in out + err and "Traceback" not in err


def test_readers_are_quiet_as_a_library_too(tmp_path: Path) -> None:
    path = save(tmp_path / "s.fits", sky(), **SOLVED)
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        assert read_picture(path).facts.wcs is not None
        inspect_files(odd_frames(tmp_path))
    assert [str(one.message) for one in caught] == []


def test_inspect_prints_no_number_that_cannot_be(tmp_path: Path) -> None:
    text = inspect_files(odd_frames(tmp_path), gain_e=1.0, read_noise_e=3.0).text
    assert not re.search(r"(?<![-\w])(nan|inf)\b", text)
    shares = [float(word) for word in re.findall(r"(-?[\d.]+) %", text)]
    assert all(0.0 <= share <= 200.0 for share in shares)
    told = {part.partition("\n")[0].rpartition("/")[2]: part for part in text.split("\n\n")}
    for name in ("subtracted", "negative", "near-zero"):
        assert "no share of the sky, whose level is near 0 or below" in told[f"{name}.fits"]
    assert "no pixel that could be measured" in told["plane.fits"]
    assert "does not lie between black and white level" in told["dark-taken-out.fits"]
    assert "put the sky at" in told["mosaic.fits"]


@pytest.mark.parametrize(
    ("change", "usable"), [({}, True), ({"CD1_1": 0.0}, False), ({"CTYPE2": "LINEAR"}, False)]
)
def test_coordinates_that_cannot_be_used_are_said_so(
    change: dict[str, Any], usable: bool, tmp_path: Path
) -> None:
    path = save(tmp_path / "s.fits", sky(), **{**SOLVED, **change})
    text = coordinates_fault(path, read_picture(path))
    assert (text == "") == usable
    assert ("coordinates-unusable" in inspect_files([path]).text) != usable


def test_old_cards_that_name_no_place_in_the_sky_are_no_fault(tmp_path: Path) -> None:
    path = save(tmp_path / "o.fits", sky(), **OBSERVATORY)
    assert coordinates_fault(path, read_picture(path)) == ""
