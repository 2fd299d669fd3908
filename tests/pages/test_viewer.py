"""The top of the page: the delivered picture, cut and turned as it is written, and the pair it is compared with."""

from __future__ import annotations

import base64
import io
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from PIL import Image

from blend.pages import viewer as module
from blend.pages.closeups import CROP_PX, closeups, light_sites
from blend.pages.viewer import Frame, Pictures, turned_box, viewer
from blend.recipe.pipeline import PICTURE_STEPS, run_all
from blend.recipe.state import Work

CROP = (7, 11, 100, 70)


def turner(turns: int, mirror: bool) -> Callable[[Any], Any]:
    return lambda pixels: np.rot90(pixels[:, :, ::-1] if mirror else pixels, turns, axes=(1, 2))


def pictures_of(turns: int = 0, *, mirror: bool = False, factor: int = 4, bare: bool = False) -> Pictures:
    """Return a ramp of 90 x 121 pixels that tells every pixel's place, delivered as `CROP` and turned."""
    y, x = np.mgrid[:90, :121].astype(np.float32)
    whole = np.stack([x / 121, y / 90, np.full_like(x, 0.5)])
    down, across = (size // factor * factor for size in (90, 121))
    small = (
        whole[:, :down, :across]
        .reshape(3, down // factor, factor, across // factor, factor)
        .mean(axis=(2, 4))
    )
    turn, cut = turner(turns, mirror), np.s_[:, 11:81, 7:107]
    return Pictures(
        delivered=turn(whole[cut]),
        bare=turn(whole[cut]) if bare else None,
        with_lines=turn(small),
        without_lines=turn(small),
        factor=factor,
        frame=Frame(turn, (90, 121), CROP, (40, 30, 30, 20)),
    )


def pixels(url: str) -> np.ndarray:
    """Return a JPEG of the page as (rows, columns, 3)."""
    head, _, body = url.partition(",")
    assert head == "data:image/jpeg;base64"
    return np.asarray(Image.open(io.BytesIO(base64.b64decode(body))).convert("RGB"), dtype=np.float64) / 255


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
@pytest.mark.parametrize("mirror", [False, True])
def test_what_is_shown_lies_where_the_delivered_picture_has_it(turns: int, mirror: bool) -> None:
    found = pictures_of(turns, mirror=mirror)
    with_lines, _, (left, top, width, height) = found.averaged()
    rows, columns = found.delivered.shape[1:]
    # whole blocks, no wedge: less than one beyond each side
    assert -4 < left <= 0 and -4 < top <= 0 and width < columns + 8 and height < rows + 8
    # each block is the mean of the delivered pixels under it
    for i, j in ((5, 6), (10, 3), (12, 9)):
        y, x = top + 4 * i, left + 4 * j
        expected = found.delivered[:, y : y + 4, x : x + 4].mean(axis=(1, 2))
        assert with_lines[:, i, j] == pytest.approx(expected, abs=1e-6)
    shown = viewer(found)
    x, y, w, h = shown.target
    # the target's own pixels: 40 to 70 across, 30 to 50 down
    seen = found.delivered[:2, y : y + h, x : x + w]
    assert seen[0].min() * 121 == pytest.approx(40, abs=1e-3) and seen[0].max() * 121 == pytest.approx(
        69, abs=1e-3
    )
    assert seen[1].min() * 90 == pytest.approx(30, abs=1e-3) and seen[1].max() * 90 == pytest.approx(
        49, abs=1e-3
    )


def test_the_page_holds_the_delivered_picture_and_the_target_pixel_by_pixel(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(module, "WHOLE_EDGE", 50)
    found = pictures_of(bare=True)
    shown = viewer(found)
    assert (shown.width, shown.height) == (100, 70)
    whole, part = shown.with_lines
    assert pixels(whole.url).shape == (35, 50, 3) and whole.ratio == 2.0
    assert (part.left, part.top, part.width, part.height, part.ratio) == (33, 19, 30, 20, 1.0)
    own = found.delivered[:, 19:39, 33:63].transpose(1, 2, 0)
    assert np.abs(pixels(part.url) - own).max() < 0.03  # JPEG of a ramp
    assert len(shown.without_lines) == 2 and "own pictures" in shown.note


def test_without_a_full_size_picture_the_note_says_what_is_averaged() -> None:
    shown = viewer(pictures_of())
    assert len(shown.with_lines) == len(shown.without_lines) == 1
    assert "means of 4 x 4 pixels" in shown.note and '"without"' in shown.note


def test_a_jpeg_keeps_to_its_bytes() -> None:
    noise = np.random.default_rng(1).random((3, 200, 200)).astype(np.float32)
    free, bound = (module.fitted_url(noise, most_bytes=size) for size in (10**9, 40_000))
    assert len(bound) < len(free)


def test_a_box_of_one_pixel_turns() -> None:
    assert turned_box((4, 6), turner(1, False), (5, 0, 1, 1)) == (0, 0, 1, 1)


def test_close_ups_show_places_of_the_delivered_picture(balanced_work: Callable[..., Work]) -> None:
    work = run_all(balanced_work(shape=(400, 600)), steps=PICTURE_STEPS)
    assert work.display is not None
    box = (20, 10, 560, 380)
    delivered = work.display[:, 10:390, 20:580]
    found = Pictures(
        delivered, delivered - 0.05, work.display, work.display, 1, Frame(lambda p: p, (400, 600), box, box)
    )
    sites = closeups(light_sites(work, found.frame), found)
    names = [site.name for site in sites]
    assert names[0] == "Brightest part of the target" and names[-1] == "Empty corner"
    assert any(name.startswith("Brightest H II region in ha") for name in names)
    for site in sites:
        assert [crop.column for crop in site.crops] == ["colour", "ha", "result", "difference x 10"]
        for crop in site.crops:
            assert pixels(crop.whole).shape == (CROP_PX, CROP_PX, 3)
            assert pixels(crop.middle).shape == (CROP_PX // 3, CROP_PX // 3, 3)
        # 0.05 brighter everywhere: half of the range that is shown, over grey
        assert pixels(site.crops[-1].whole).mean() == pytest.approx(0.75, abs=0.01)


def test_a_picture_smaller_than_a_crop_has_close_ups_too(balanced_work: Callable[..., Work]) -> None:
    work = run_all(balanced_work(), steps=PICTURE_STEPS)
    shown, box = work.display, (0, 0, 120, 90)
    assert shown is not None
    found = Pictures(shown, None, shown, shown, 1, Frame(lambda p: p, (90, 120), box, box))
    for site in closeups(light_sites(replace(work, stars=None), found.frame), found):
        assert pixels(site.crops[0].whole).shape == (90, 120, 3)
