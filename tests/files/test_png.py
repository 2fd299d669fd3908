"""PNG and JPEG: sound files, exact geometry of the smaller picture, light conserved."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path

import imagecodecs
import numpy as np
import pytest
from PIL import Image

from blend.base.rowblocks import limit_threads
from blend.base.transfer import decode_block as decode
from blend.files.png import png_bytes, shrink, write_jpeg, write_png
from blend.files.srgb import code_values, srgb_profile


def picture(rows: int = 90, columns: int = 70) -> np.ndarray:
    return np.random.default_rng(4).random((3, rows, columns), dtype=np.float32)


def slow_shrink(display: np.ndarray, shape: tuple[int, int]) -> np.ndarray:
    """The mean over the covered area, pixel by pixel, weights from the overlap of intervals."""
    light = decode(display)
    result = np.zeros((len(display), *shape))
    tall, wide = display.shape[1] / shape[0], display.shape[2] / shape[1]
    for i in range(shape[0]):
        rows = np.arange(display.shape[1])
        down = np.clip(np.minimum(rows + 1, (i + 1) * tall) - np.maximum(rows, i * tall), 0, None)
        for j in range(shape[1]):
            columns = np.arange(display.shape[2])
            across = np.clip(np.minimum(columns + 1, (j + 1) * wide) - np.maximum(columns, j * wide), 0, None)
            result[:, i, j] = np.einsum("prc,r,c->p", light, down, across) / down.sum() / across.sum()
    return result


@pytest.mark.parametrize("shape", [(12, 9), (20, 30), (7, 7), (1, 1), (24, 36)])
def test_shrink_is_the_mean_over_the_area(shape: tuple[int, int]) -> None:
    display = picture(24, 36)
    # Decoding through 65536 levels moves light by at most 1e-5 x slope 2.3 / 2, less in a mean.
    np.testing.assert_allclose(decode(shrink(display, shape)), slow_shrink(display, shape), atol=2e-5)


def test_shrink_keeps_the_centre_of_a_star_in_place() -> None:
    # Pixel centres at integers: a point at x of m pixels lies at (x + 1/2) n / m - 1/2 of n.
    y, x = np.mgrid[:60, :90]
    star = np.exp(-((x - 40.3) ** 2 + (y - 22.8) ** 2) / (2 * 6.0**2))
    from blend.base.transfer import encode_block as encode

    small = decode(shrink(encode(star)[np.newaxis], (25, 37))[0])
    rows, columns = np.mgrid[:25, :37]
    found = (float((small * columns).sum() / small.sum()), float((small * rows).sum() / small.sum()))
    wanted = ((40.3 + 0.5) * 37 / 90 - 0.5, (22.8 + 0.5) * 25 / 60 - 0.5)
    # The tails that the frame cuts off move the centre by less than 0.01 px.
    assert found == pytest.approx(wanted, abs=0.01)


def test_light_is_conserved_and_constants_stay() -> None:
    display = picture(50, 64)
    small = shrink(display, (13, 17))
    np.testing.assert_allclose(decode(small).mean(), decode(display).mean(), rtol=2e-5)
    np.testing.assert_allclose(shrink(np.full((1, 50, 64), 0.3), (13, 17)), 0.3, atol=1e-5)


def test_missing_pixels_are_left_out_of_the_mean() -> None:
    display = np.full((1, 8, 8), 0.4, np.float32)
    display[0, :2, :2] = np.nan
    display[0, 4, 4] = np.nan
    small = shrink(display, (4, 4))
    assert np.isnan(small[0, 0, 0]) and np.isnan(small).sum() == 1
    np.testing.assert_allclose(small[0][np.isfinite(small[0])], 0.4, atol=1e-5)


def test_threads_do_not_change_a_byte() -> None:
    results = []
    for count in (1, 3):
        with limit_threads(count):
            results.append(png_bytes(picture(), long_edge=40))
    assert results[0] == results[1] == png_bytes(picture(), long_edge=40)


@pytest.mark.parametrize("bits", [8, 16])
@pytest.mark.parametrize("planes", [1, 3])
def test_a_png_comes_back_to_the_bit(tmp_path: Path, bits: int, planes: int) -> None:
    display = picture(130, 21)[:planes]
    display[:, 40:60] = np.linspace(0, 1, 21)  # lines that other filters win
    write_png(tmp_path / "a.png", display, long_edge=None, bits=bits)
    back = imagecodecs.png_decode((tmp_path / "a.png").read_bytes())
    assert back.dtype == np.dtype(f"u{bits // 8}")
    assert np.array_equal(back.reshape(130, 21, planes), code_values(display, bits=bits))


def test_a_png_says_that_it_is_srgb_and_nothing_of_today() -> None:
    data, place, kinds = png_bytes(picture()), 8, []
    assert data[:8] == b"\x89PNG\r\n\x1a\n"
    while place < len(data):
        size, kind = struct.unpack(">I4s", data[place : place + 8])
        body = data[place + 8 : place + 8 + size]
        assert struct.unpack(">I", data[place + 8 + size : place + 12 + size])[0] == zlib.crc32(kind + body)
        kinds.append(kind)
        place += 12 + size
    assert kinds == [b"IHDR", b"sRGB", b"gAMA", b"IDAT", b"IEND"]


@pytest.mark.parametrize(
    ("shape", "long_edge", "wanted"),
    [((90, 70), 45, (45, 35)), ((70, 90), 45, (35, 45)), ((90, 70), 90, (90, 70)), ((4, 90), 10, (1, 10))],
)
def test_the_long_edge_is_kept_and_nothing_is_enlarged(
    tmp_path: Path, shape: tuple[int, int], long_edge: int, wanted: tuple[int, int]
) -> None:
    write_png(tmp_path / "a.png", picture(*shape), long_edge=long_edge)
    write_jpeg(tmp_path / "a.jpg", picture(*shape), long_edge=long_edge)
    for name in ("a.png", "a.jpg"):
        assert Image.open(tmp_path / name).size == wanted[::-1]


def test_a_jpeg_is_close_has_full_colour_and_the_profile(tmp_path: Path) -> None:
    y, x = np.mgrid[:64, :64] / 64.0
    display = np.stack([x, y, 1 - x]).astype(np.float32)
    for name in ("a.jpg", "b.jpg"):
        write_jpeg(tmp_path / name, display)
    assert (tmp_path / "a.jpg").read_bytes() == (tmp_path / "b.jpg").read_bytes()
    image = Image.open(tmp_path / "a.jpg")
    assert image.info["icc_profile"] == srgb_profile()
    assert {layer[1:3] for layer in image.layer} == {(1, 1)}  # no colour subsampling
    # Quality 92 quantises smooth slopes by a few codes of 255.
    assert np.abs(np.asarray(image).astype(int) - code_values(display, bits=8)).max() <= 6


def test_other_shapes_are_a_programmers_error() -> None:
    with pytest.raises(ValueError, match="shape"):
        png_bytes(np.zeros((2, 4, 4)))
    with pytest.raises(ValueError, match="8 or 16 bits"):
        png_bytes(np.zeros((3, 4, 4)), bits=12)
