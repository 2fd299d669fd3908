"""Last touches to the picture, none of them on unless the recipe asks."""

from __future__ import annotations

import numpy as np

from blend.recipe.work import Plane, Work
from blend.science.finish import saturate


def finish(work: Work) -> Work:
    """Return the work with the finishing touches of the recipe in ``display``."""
    assert work.display is not None
    settings = work.recipe.finish
    display = saturate(work.display, amount=settings.saturation)
    work = work.with_(display=display).tell("finish", "saturation", settings.saturation)
    for key, share in clipped_shares(display).items():
        work = work.tell("clipped", key, share)
    return work


def clipped_shares(display: Plane) -> dict[str, float]:
    """Return the share of pixels with a plane at 0 and with a plane at 1."""
    pixels = display[0].size
    black = np.count_nonzero((display <= 0).any(axis=0))
    white = np.count_nonzero((display >= 1).any(axis=0))
    return {"black": black / pixels, "white": white / pixels}
