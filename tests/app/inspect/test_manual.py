"""The catalogue is made of the entries the program computes with, and is current."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from blend.app.inspect.manual import PLOT_COLUMNS, PLOT_ROWS, WIDTH, catalogue, formula_page, formula_table
from blend.science.picture.curves import CURVES
from blend.science.picture.formulas import FORMULAS

SHIPPED = Path(__file__).parents[3] / "recipes" / "FORMULAS.md"


def _plot(page: str) -> list[str]:
    """Return the rows of a page's drawing, right of the axis."""
    return [line.split(" |", 1)[1] for line in page.splitlines() if " |" in line]


def test_the_catalogue_that_ships_is_current() -> None:
    assert SHIPPED.read_text(encoding="utf-8") == catalogue(), "run python -m blend.app.inspect.manual"


def test_the_module_writes_the_catalogue(tmp_path: Path) -> None:
    path = tmp_path / "F.md"
    subprocess.run([sys.executable, "-m", "blend.app.inspect.manual", str(path)], check=True)
    assert path.read_text(encoding="utf-8") == catalogue()


@pytest.mark.parametrize("name", [*FORMULAS, *CURVES])
def test_a_page_tells_all_and_fits_a_terminal(name: str) -> None:
    page = formula_page(name)
    assert page.splitlines()[0] == name
    labels = {line[2:11].strip() for line in page.splitlines() if line.startswith("  ")}
    assert {"equation", "domain", "number", "about", "source"} <= labels
    if name in FORMULAS:
        assert {"neutral", "range", "noise", "sky"} <= labels
    assert max(map(len, page.splitlines())) <= WIDTH
    plot = _plot(page)
    assert len(plot) == PLOT_ROWS
    assert all(len(row) <= PLOT_COLUMNS for row in plot)


@pytest.mark.parametrize("name", [*FORMULAS, *CURVES])
def test_the_catalogue_has_every_entry_once(name: str) -> None:
    assert catalogue().count(f"\n### {name}\n") == 1


def test_the_drawing_shows_the_numbers() -> None:
    # Of the maximum with lines .2, .5, .8 on rows of 1/11: c stays at .8 (row 2) from the left edge until base passes.
    plot = _plot(formula_page("maximum"))
    assert plot[2].startswith("c" * 45)
    assert plot[0].endswith("c")
    # Screen at base 0 is the line itself: .2, .5, .8 in rows 9, 5 or 6, and 2.
    first = "".join(row[:1] or " " for row in _plot(formula_page("screen")))
    assert (first.index("c"), first.index("a")) == (2, 9)
    assert first.index("b") in (5, 6)
    # The axis of emission-add goes beyond 1, since light does.
    assert " 1.6 |" in formula_page("emission-add")


def test_the_table_lists_both() -> None:
    table = formula_table()
    assert all(f"  {name} " in table for name in [*FORMULAS, *CURVES])
