"""A file's own mark: it changes nothing for readers, and every change of the file shows."""

from __future__ import annotations

import csv
import io
import tomllib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from blend.files.fits import fits_header_text, read_fits, write_fits
from blend.files.seal import BLANK, CARD, Kind, is_sealed, seal_fits, sealed


def png() -> bytes:
    data = io.BytesIO()
    Image.fromarray(np.arange(48, dtype=np.uint8).reshape(4, 4, 3)).save(data, format="png")
    return data.getvalue()


FILES: dict[Kind, bytes] = {
    "toml": b"# why\nversion = 1\n",
    "csv": b"file,kept\na.dng,yes\nb.dng,no\n",
    "svg": b"<?xml version='1.0'?>\n<svg xmlns='http://www.w3.org/2000/svg'/>\n",
    "png": png(),
}


@pytest.mark.parametrize("kind", FILES)
def test_every_flipped_bit_added_byte_and_cut_shows(tmp_path: Path, kind: Kind) -> None:
    path = tmp_path / f"a.{kind}"
    data = sealed(FILES[kind], kind=kind)
    path.write_bytes(data)
    assert is_sealed(path)
    summed = range(len(data) - 16, len(data) - 12) if kind == "png" else range(0)
    for place in range(len(data)):
        changed = bytearray(data)
        changed[place] ^= 1
        path.write_bytes(changed)
        # the sum of the PNG's own chunk is left out, and any reader sees that it is wrong
        assert is_sealed(path) == (place in summed), place
    for other in (data + b"\n", b"\n" + data, data[:-1], data[1:], FILES[kind], b""):
        path.write_bytes(other)
        assert not is_sealed(path)


def test_readers_see_what_they_saw_before() -> None:
    assert tomllib.loads(sealed(FILES["toml"], kind="toml").decode()) == {"version": 1}
    rows = list(csv.DictReader(io.StringIO(sealed(FILES["csv"], kind="csv").decode())))
    assert [(row["file"], row["kept"]) for row in rows] == [("a.dng", "yes"), ("b.dng", "no")]
    picture = Image.open(io.BytesIO(sealed(FILES["png"], kind="png")))
    picture.load()  # checks the sum of every chunk
    assert np.array_equal(np.asarray(picture).ravel(), np.arange(48))
    assert sealed(FILES["svg"], kind="svg").startswith(FILES["svg"])


def test_a_fits_master_shows_a_changed_pixel_and_a_changed_card(tmp_path: Path) -> None:
    path = tmp_path / "dark.fits"
    pixels = np.random.default_rng(1).random((1, 5, 7), np.float32)
    write_fits(path, pixels, planes=("grey",), cards={"OBJECT": "M 33", CARD: BLANK})
    assert not is_sealed(path)
    seal_fits(path)
    assert is_sealed(path)
    assert np.array_equal(read_fits(path)[0], pixels)
    assert len(fits_header_text(path)[CARD].strip("'")) == 64
    data = path.read_bytes()
    for old, new in ((b"M 33", b"M 31"), (data[2880:2884], b"\0\0\0\0"), (b"BLENDSUM", b"BLENDSAM")):
        path.write_bytes(data.replace(old, new, 1))
        assert not is_sealed(path)


def test_what_is_no_file_carries_no_mark(tmp_path: Path) -> None:
    assert not is_sealed(tmp_path)
    assert not is_sealed(tmp_path / "nowhere")
