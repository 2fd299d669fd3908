"""A picture's sky by degree 2 and by a spline: numbers, words, the picture and its refusals."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from skimage.io import imread

from blend.app.inspect import inspect_sky
from blend.base.errors import FaultList, InputError, RecipeError

SIGMA = 0.002
V, U = np.meshgrid(np.linspace(-1, 1, 300), np.linspace(-1, 1, 450), indexing="ij")
LOBE = 28 * SIGMA * np.exp(-((U - 1.05) ** 2 + (V + 1.05) ** 2) / 0.3)


def write_sky(path: Path, light: np.ndarray) -> Path:
    noise = SIGMA * np.random.default_rng(4).standard_normal(light.shape)
    fits.writeto(path, (0.1 + 0.005 * U + light + noise).astype(np.float32))
    return path


def test_a_lamp_in_a_corner_suggests_the_spline_and_a_plain_slope_does_not(tmp_path: Path) -> None:
    lamp = inspect_sky(write_sky(tmp_path / "lamp.fits", LOBE), tmp_path / "lamp.png")
    assert 'try model = "spline"' in lamp
    plain = inspect_sky(write_sky(tmp_path / "plain.fits", 0 * LOBE), tmp_path / "plain.png")
    assert "degree 2 will do" in plain
    assert "try" not in plain
    for name in ("lamp.png", "plain.png"):
        assert (tmp_path / name).read_bytes().startswith(b"\x89PNG")


def test_the_picture_is_the_same_twice_and_replaces_its_own_alone(tmp_path: Path) -> None:
    path, picture = write_sky(tmp_path / "lamp.fits", LOBE), tmp_path / "lamp.png"
    inspect_sky(path, picture)
    first = picture.read_bytes()
    inspect_sky(path, picture)
    assert picture.read_bytes() == first
    picture.write_bytes(b"not ours")
    with pytest.raises(FaultList):
        inspect_sky(path, picture)


def test_what_is_no_picture_or_has_another_end_is_refused(tmp_path: Path) -> None:
    with pytest.raises(RecipeError, match=r"one that ends in \.png"):
        inspect_sky(tmp_path / "lamp.fits", tmp_path / "lamp.jpg")
    (tmp_path / "night.target.toml").write_text("")
    with pytest.raises(InputError, match="a linear master as FITS or TIFF"):
        inspect_sky(tmp_path / "night.target.toml", tmp_path / "lamp.png")


def test_a_lamp_in_the_first_row_of_a_fits_file_is_shown_below(tmp_path: Path) -> None:
    """FITS counts rows from the bottom; in the last panel the lamp is red."""
    inspect_sky(write_sky(tmp_path / "lamp.fits", LOBE), tmp_path / "lamp.png")
    shown = imread(tmp_path / "lamp.png")[..., :3].astype(float)
    red = shown[..., 0] - shown[..., 2]
    red = red[:, int(0.62 * red.shape[1]) : int(0.88 * red.shape[1])]  # the colour bar stands to the right
    half = red.shape[0] // 2
    assert red[half:].sum() > 2.0 * red[:half].sum()
