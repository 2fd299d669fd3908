"""`blend worth` and `blend moon --against`: from real files and records, through the command line."""

import json
import os
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from click.testing import CliRunner

from blend.app.cli.commands import blend
from blend.recipe.record_words import worth_words

FRAMES = Path(os.environ.get("BLEND_REAL_FRAMES", "../shared/data")) / "night"
SKY = {
    "DATE-OBS": "2024-03-22T22:00:00",
    "EXPTIME": 600.0,
    "RA": 180.0,
    "DEC": 40.0,
    "OBSGEO-B": 45.0,
    "OBSGEO-L": 7.0,
}


def run(*words):
    return CliRunner().invoke(blend, [str(word) for word in words])


def frame(path, level, **cards):
    pixels = np.random.default_rng(3).normal(level, 8.0, (120, 160)).astype(np.uint16)
    fits.PrimaryHDU(pixels, fits.Header({**SKY, **cards})).writeto(path)
    return path


def test_a_sky_half_as_bright_again_is_measured(tmp_path):
    first, second = frame(tmp_path / "a.fits", 1000.0), frame(tmp_path / "b.fits", 1400.0)
    told = run("moon", second, "--against", first, "--bias", "200", "--band-nm", "488").output
    assert "height is stated" in told
    line = next(line for line in told.splitlines() if "measured" in line)
    assert "measured +50" in line or "measured +49" in line
    assert "predicted +0.0 % at 488 nm" in line


def test_exposures_are_divided_out(tmp_path):
    first = frame(tmp_path / "a.fits", 1000.0)
    longer = frame(tmp_path / "b.fits", 2000.0, EXPTIME=1200.0)
    told = run("moon", longer, "--against", first, "--band-nm", "550").output
    assert "measured +0." in told or "measured -0." in told


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        (["--against", "none.fits"], 3, "none.fits"),
        (["--against", "a.fits", "--bias", "5000"], 3, "check --bias"),
        (["--against", "record.json"], 3, "record"),
    ],
)
def test_what_cannot_be_compared_is_refused(tmp_path, monkeypatch, words, code, says):
    monkeypatch.chdir(tmp_path)
    frame(Path("a.fits"), 1000.0)
    Path("record.json").write_text("{}")
    told = run("moon", "a.fits", *words)
    assert told.exception.exit_code == code
    assert says in str(told.exception)


def test_the_plane_must_be_one_of_both(tmp_path):
    mono = frame(tmp_path / "a.fits", 1000.0)
    colour = tmp_path / "c.fits"
    pixels = np.random.default_rng(4).normal(900.0, 8.0, (3, 120, 160)).astype(np.uint16)
    fits.PrimaryHDU(pixels, fits.Header(SKY)).writeto(colour)
    told = run("moon", mono, "--against", colour)
    assert (told.exception.exit_code, "a plane in common" in str(told.exception)) == (3, True)


def test_an_old_record_says_what_to_do(tmp_path):
    path = tmp_path / "record.json"
    record = {"version": 1, "target": "t", "recipe": {}, "inputs": [], "outputs": []}
    path.write_text(json.dumps(record))
    told = run("worth", path)
    assert told.exception.exit_code == 3
    assert "blend replay" in str(told.exception)


def test_the_words_leave_out_what_is_not_known():
    entry = {"into": "red", "exposure_factor": 4.0, "error": 0.05}
    assert worth_words(entry, "ha", {}) == "ha in red: as colour exposed 4.0 +- 0.2 times as long"
    assert "no exposure of colour" in worth_words({"into": "red", "exposure_factor": None}, "ha", {})


@pytest.mark.skipif(not FRAMES.is_dir(), reason="real frames are not at hand (BLEND_REAL_FRAMES)")
def test_the_sky_of_a_real_night_under_a_rising_moon():
    """H-beta frames 0.27 h apart, the Moon rising: plain medians of the corners rose by 12.7 to 13.7 %."""
    first, second = (FRAMES / f"spiral-hb-900s-{number}.fits" for number in (1, 2))
    words = ("--bias", "671", "--band-nm", "487.8", "--width-nm", "12")
    told = run("moon", second, "--against", first, *words).output
    measured = float(told.split("measured ")[1].split(" %")[0])
    assert measured == pytest.approx(13.2, abs=0.8)
    assert "predicted +" in told
