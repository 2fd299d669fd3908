"""What the report shows of registration and of signal: arrows, crops by turns, signal to noise."""

from __future__ import annotations

import base64
import io
from collections.abc import Callable
from dataclasses import replace
from types import MappingProxyType, SimpleNamespace
from typing import Any

import numpy as np
import pytest
from PIL import Image
from scipy.stats import spearmanr

from blend.pages import pairs
from blend.pages.pairs import PLACES, corner_pairs, residual_fits, signal_rows
from blend.recipe.state import Work


def upright(pixels: Any) -> Any:
    return pixels[:, ::-1]


def pixels_of(url: str) -> Any:
    """Return the grey values of a crop, (rows, columns)."""
    head, _, body = url.partition(",")
    assert head == "data:image/jpeg;base64"
    return np.asarray(Image.open(io.BytesIO(base64.b64decode(body))).convert("L"), dtype=np.float64)


@pytest.mark.parametrize("turns", [0, 1, 2, 3])
@pytest.mark.parametrize("mirror", [False, True])
def test_corners_are_those_of_the_picture_as_it_is_turned(
    balanced_work: Callable[..., Work], turns: int, mirror: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(pairs, "CROP_PX", 20)
    work = balanced_work()
    crop = {"x": 7, "y": 11, "w": 100, "h": 70}

    def turn(pixels: Any) -> Any:
        flipped = pixels[:, :, ::-1] if mirror else pixels
        return np.rot90(flipped, turns, axes=(1, 2))

    found = corner_pairs(work, turn, crop)["ha"]
    assert tuple(pair.place for pair in found) == PLACES
    # The slow way: cut first, then turn, then take the corners.
    cut = turn(work.rgb.pixels[:1, 11:81, 7:107])[0]
    rows, columns = cut.shape
    middle = np.s_[(rows - 20) // 2 :, (columns - 20) // 2 :]
    expected = (cut[:20, :20], cut[:20, -20:], cut[middle][:20, :20], cut[-20:, :20], cut[-20:, -20:])
    shown = [pixels_of(pair.colour).ravel() for pair in found]
    # a crop is its own place's, however its light is stretched: the order of the pixels stays, but for the JPEG
    ranks = [[spearmanr(one, wanted.ravel(), nan_policy="omit")[0] for wanted in expected] for one in shown]
    assert np.argmax(ranks, axis=1).tolist() == [0, 1, 2, 3, 4] and min(np.diag(ranks)) > 0.8


def test_crops_are_pictures_and_a_place_without_data_is_black(balanced_work: Callable[..., Work]) -> None:
    work = balanced_work()
    empty = np.full_like(work.rgb.pixels, np.nan)
    bare = work.with_(masters={**work.masters, "rgb": work.rgb.with_(pixels=empty)})
    for pair, other in zip(*(corner_pairs(one, upright, None)["ha"] for one in (work, bare)), strict=True):
        assert pixels_of(pair.colour).max() > 100.0 and pixels_of(other.colour).max() == 0.0


def fit_of(shift: tuple[float, float]) -> SimpleNamespace:
    rng = np.random.default_rng(3)
    xy = rng.uniform(0, 90, (30, 2))
    matrix = np.array([[1, 0, 5.0], [0, 1, -2.0], [0, 0, 1]])
    return SimpleNamespace(
        matched=30,
        matrix=matrix,
        forward=lambda points: points + np.array([5.0, -2.0]),
        moving_xy=xy - (5.0, -2.0) + shift,
        reference_xy=xy,
        rms_px=0.1,
    )


def test_arrows_tell_what_is_left(balanced_work: Callable[..., Work]) -> None:
    fits = MappingProxyType({("rgb", 0): SimpleNamespace(matched=0), ("ha", 0): fit_of((0.3, 0.4))})
    work = balanced_work().with_(alignments=fits)
    (found,) = residual_fits(work)
    assert found.name == "ha"
    assert (
        "30 stars" in found.text and "the longest 0.50 px" in found.text and "the key is 0.3 px" in found.text
    )
    assert found.svg.startswith("<svg") and "<script" not in found.svg


def test_signal_to_noise_of_a_known_disc(balanced_work: Callable[..., Work]) -> None:
    work = balanced_work(shape=(160, 160))
    objects = np.zeros((160, 160), dtype=bool)
    objects[32:128, 32:128] = True
    pixels = np.zeros((3, 160, 160), dtype=np.float32)
    pixels[:, objects] = np.array([0.02, 0.01, 0.04], dtype=np.float32)[:, None]
    work = work.with_(
        masters={**work.masters, "rgb": work.rgb.with_(pixels=pixels)},
        lines={"ha": replace(work.lines["ha"], emission=pixels[0] / 2)},
        objects=objects,
        star_mask=None,
        gains=(2.0, 1.0, 4.0),
    )
    noise = {"1": 0.001, "4": 0.00025, "16": None, "64": 0.0005}
    planes = {plane: {"noise": noise} for plane in ("red", "green", "blue")}
    record = {"masters": {"rgb": {"planes": planes}, "ha": {"planes": {"ha": {"noise": {"1": 0.002}}}}}}
    rows = {name: (light, ratios) for name, light, ratios in signal_rows(work, record)}
    # Balanced light over its gain is the master's own; the noise is the master's own as it stands.
    for plane in ("red", "green", "blue"):
        assert rows[f"rgb.{plane}"][0] == pytest.approx(0.01)
        assert rows[f"rgb.{plane}"][1] == pytest.approx([10, 40, np.nan, 20], nan_ok=True)
    # The line's light, 0.01 of the balanced plane, is 10 sigma of its pixel there, hence in its own master.
    light, ratios = rows["ha.emission"]
    assert light == pytest.approx(0.01 * 0.002 / work.lines["ha"].scaled_sigma)
    assert ratios == pytest.approx([10, np.nan, np.nan, np.nan], nan_ok=True)


def test_no_objects_no_signal(balanced_work: Callable[..., Work]) -> None:
    assert signal_rows(balanced_work(), {}) == []
