"""The report's pictures of a line's light: all of it, what passed, upright, with words of what was held back."""

import base64
from dataclasses import replace
from types import MappingProxyType, SimpleNamespace
from typing import Any

import numpy as np

from blend.files.png import jpeg_bytes
from blend.pages.emissionfigures import PANEL_PX, emission_figures
from blend.pages.skyfigures import hard_stretch
from blend.recipe.state import Line
from blend.science.line import noise_blocks


def work_of(rows: str, **changes: Any) -> Any:
    light = np.random.default_rng(1).normal(size=(80, 120)).astype(np.float32)
    light[4:12, 4:12] += 50.0
    passed = np.where(light > 20.0, light, 0.0).astype(np.float32)
    line = Line(
        scaled=light, emission=passed, sigma=1.0, scaled_sigma=1.0, broad="red", unfaded=noise_blocks(light)
    )
    facts = SimpleNamespace(facts=SimpleNamespace(rows=rows))
    return SimpleNamespace(lines=MappingProxyType({"ha": replace(line, **changes)}), rgb=facts)


def url(picture: np.ndarray) -> str:
    data = jpeg_bytes(picture, long_edge=PANEL_PX, quality=85)
    return "data:image/jpeg;base64," + base64.b64encode(data).decode("ascii")


def test_both_panels_share_one_stretch_and_stand_upright() -> None:
    work = work_of("bottom-up", held=0.3)
    (figure,) = emission_figures(work)
    from blend.base.robust import difference_noise

    line = work.lines["ha"]
    noise = difference_noise(line.unfaded)
    assert figure.whole == url(hard_stretch(line.unfaded, noise)[:, ::-1])
    assert figure.passed == url(hard_stretch(noise_blocks(line.emission), noise)[:, ::-1])
    assert "the weight holds back 30 %" in figure.text and "5 sigma of a mean" in figure.text
    (same,) = emission_figures(work_of("top-down"))
    assert same.whole == url(hard_stretch(line.unfaded, noise)) and "holds back" not in same.text


def test_a_stretched_master_and_an_empty_one_have_no_picture() -> None:
    assert emission_figures(work_of("top-down", emission=None)) == []
    assert emission_figures(work_of("top-down", unfaded=np.zeros((20, 30), np.float32))) == []
