"""What the report shows of registration and of signal: arrows, signal to noise."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from types import MappingProxyType, SimpleNamespace

import numpy as np
import pytest

from blend.pages.pairs import residual_fits, signal_rows
from blend.recipe.state import Work


def fit_of(shift: tuple[float, float]) -> SimpleNamespace:
    rng = np.random.default_rng(3)
    xy = rng.uniform(0, 90, (30, 2))
    matrix = np.array([[1, 0, 5.0], [0, 1, -2.0], [0, 0, 1]])
    return SimpleNamespace(
        matched=30,
        forward=lambda points: points @ matrix[:2, :2].T + matrix[:2, 2],
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
    for svg in (found.svg, found.histogram):
        assert svg.startswith("<svg") and "<script" not in svg
        # letters and axes in the page's ink, on the page's ground
        assert "currentColor" in svg and "#ffffff" not in svg


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
