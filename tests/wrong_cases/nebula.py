"""Nebulae whose own knots are all that looks like a star."""

from __future__ import annotations

from pathlib import Path

from wrong_cases.cases import Case, Make, night, run_words

ON_GRID = ("--set", "register.transform=none")


def nebula(*, stars_per_mpx: float) -> Make:
    """Return the maker of a run on a nebula with so many stars; its red light is the line's alone."""

    def make(folder: Path) -> list[str]:
        target = night(folder, kind="nebula", ha_grid="same", stars_per_mpx=stars_per_mpx, seed=8)
        return run_words(target, *ON_GRID, recipe="nebula-emission")

    return make


CASES = [
    Case(
        name="a nebula's knots for stars",
        wrong=nebula(stars_per_mpx=300.0),
        right=nebula(stars_per_mpx=6000.0),
        warning="scale-from-nebula",
    ),
]
