"""Plots of a page are drawn from numbers alone, the same text for the same numbers."""

import subprocess
import sys

import numpy as np
import pytest

from blend.pages import figures

RNG = np.random.default_rng(4)
DISPLAY = RNG.uniform(0.0, 1.0, (3, 40, 50)).astype(np.float32)
STARS = 10.0 ** RNG.normal(-1.0, 0.2, (3, 30))
LEFT = RNG.normal(0.0, 0.05, (60, 2))
XY = RNG.uniform(0.0, 40.0, (60, 2))


def _all_plots() -> list[str]:
    tone = np.linspace(0.0, 1.0, 16)
    arrows, _ = figures.arrows_svg(XY, LEFT, (40, 50), rms_px=0.05, upward=True)
    return [
        figures.histogram_svg(DISPLAY, 0.1, (tone, tone**3)),
        figures.colours_svg(STARS, 1.01 * STARS),
        figures.residuals_svg(LEFT),
        arrows,
    ]


def test_plots_are_the_same_twice_and_in_the_pages_ink() -> None:
    assert _all_plots() == _all_plots()
    for plot in _all_plots():
        assert plot.startswith("<svg") and "currentColor" in plot and "nan" not in plot and "inf" not in plot


def test_plots_of_nothing_are_drawn_too() -> None:
    empty = np.full((3, 4), np.nan)
    assert "nan" not in figures.colours_svg(empty, empty)
    black = np.zeros((3, 4, 4), dtype=np.float32)
    assert "<svg" in figures.histogram_svg(black, None, (np.array([0.0, 1.0]), np.zeros(2)))
    assert "<svg" in figures.residuals_svg(np.zeros((1, 2)))


@pytest.mark.parametrize("upward", [True, False])
def test_an_arrow_points_where_the_star_went(upward: bool) -> None:
    plot, key = figures.arrows_svg(
        np.array([[25.0, 20.0]]), np.array([[0.0, 0.1]]), (40, 50), rms_px=0.05, upward=upward
    )
    path = plot.split('<path d="M')[1]
    (_, y0), (_, y1) = (map(float, place.split()) for place in path.split("M")[0].split("L")[:2])
    assert key == 0.1 or key == 0.2
    assert (y1 < y0) == upward  # more rows are up in a picture whose rows are counted from below


def test_a_page_needs_no_plotting_library() -> None:
    code = "import sys, blend.pages.report, blend.pages.figures; print('matplotlib' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False"
