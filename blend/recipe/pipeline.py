"""The order of the work, fixed by physics, and what is told while it runs."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass

from blend.recipe.state import Listener, Work, say
from blend.recipe.steps.balance import balance
from blend.recipe.steps.blends import blend_display, blend_linear
from blend.recipe.steps.calibrate import calibrate
from blend.recipe.steps.continuum import subtract_continuum
from blend.recipe.steps.finish import finish
from blend.recipe.steps.gradient import subtract_gradients
from blend.recipe.steps.register import register
from blend.recipe.steps.stretch import stretch


@dataclass(frozen=True)
class Step:
    """A named step; ``weight`` is its usual share of a run's time, for the progress line only."""

    name: str
    does: str
    change: Callable[[Work], Work]
    weight: float


STEPS: tuple[Step, ...] = (
    Step("calibrate", "darks, flats and bad pixels", calibrate, 3.0),
    Step("register", "finding stars and bringing all masters onto one grid", register, 4.0),
    Step("gradient", "fitting and subtracting the sky", subtract_gradients, 3.0),
    Step("continuum", "scaling the line by its stars, leaving its emission", subtract_continuum, 4.0),
    Step("balance", "white from the stars", balance, 0.5),
    Step("linear-blends", "adding emission to linear light", blend_linear, 1.0),
    Step("stretch", "from linear light to a picture", stretch, 1.5),
    Step("display-blends", "blends of stretched light", blend_display, 1.0),
    Step("finish", "last touches", finish, 0.5),
)

WRITING = 1.0
"""The weight of what follows the steps."""

PICTURE_STEPS = STEPS[5:]
"""The steps after balance: all that the recipe's blends and looks can change."""


def run_steps(
    work: Work,
    *,
    steps: tuple[Step, ...] = STEPS,
    listener: Listener | None = None,
    lighten: Callable[[str, Work], Work] | None = None,
) -> Iterator[tuple[str, Work]]:
    """Yield (name, work) after each step; the caller may write what it wants to keep.

    Seconds of each step are told under ``seconds``. Callers should not hold the earlier states: at 24 megapixels each
    is hundreds of megabytes. ``lighten`` is asked after the caller has seen a step's state, and returns the state to go
    on with: without layers that only the caller used.
    """
    total = sum(step.weight for step in steps) + WRITING
    done = 0.0
    # A step is given the only hold on its state: what it replaces is free while it works on.
    held = [work]
    del work
    for step in steps:
        say(listener, step.name, step.does, done / total)
        start = time.perf_counter()
        held.append(step.change(held.pop()))
        held.append(held.pop().tell("seconds", step.name, round(time.perf_counter() - start, 3)))
        done += step.weight
        yield step.name, held[0]
        if lighten is not None:
            held.append(lighten(step.name, held.pop()))


def run_all(work: Work, *, steps: tuple[Step, ...] = STEPS) -> Work:
    """Run the steps in order and return the last state."""
    for _, state in run_steps(work, steps=steps):
        work = state
    return work
