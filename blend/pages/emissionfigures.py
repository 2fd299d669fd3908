"""The report's pictures of a line's light: all of it, and what of it was let through, at one hard stretch."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import difference_noise
from blend.pages.skyfigures import HARD_SIGMA, hard_stretch, panel_url
from blend.recipe.auto_words import held_words
from blend.recipe.state import Work
from blend.science.line import noise_blocks

PANEL_PX = 720
"""Long edge of a panel: two stand side by side on the page."""


@dataclass(frozen=True)
class EmissionFigure:
    """One line: data URLs of its panels, and what to say of them."""

    name: str
    whole: str
    passed: str
    text: str


def emission_figures(work: Work) -> list[EmissionFigure]:
    """Return the light of every line before and after its weight, in means of 4 x 4 pixels.

    Parameters
    ----------
    work : Work
        After the continuum step, before the lines are guarded against stars.
    """
    figures = []
    for name, line in work.lines.items():
        if line.emission is None or line.unfaded is None:
            continue
        noise = difference_noise(line.unfaded)
        if not noise > 0:
            continue

        def panel(blocks: NDArray[np.float32], noise: float = noise) -> str:
            grey = hard_stretch(blocks, noise)
            upright = grey[:, ::-1] if work.rgb.facts.rows == "bottom-up" else grey
            return panel_url(upright, long_edge=PANEL_PX)

        reach = f"{HARD_SIGMA:g} sigma of a mean over 4 x 4 pixels below the sky to {HARD_SIGMA:g} above"
        text = f"Black to white: {reach}; black, too, where there are no data"
        held = held_words({"held_back": line.held})
        figures.append(
            EmissionFigure(
                name,
                panel(line.unfaded),
                panel(noise_blocks(line.emission)),
                f"{text}; {held}" if held else text,
            )
        )
    return figures
