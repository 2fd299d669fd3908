"""Invented scenes for `look.py`: galaxies of three sizes, one edge-on, nebulae, clusters; deep, noisy and shallow."""

from __future__ import annotations

import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any
from unittest.mock import patch

from blend.app.demo.demo import write_night
from blend.app.run.load import load_sources, open_recipe, open_target
from blend.recipe.pipeline import run_steps
from blend.recipe.state import Work
from blend.science.simulated import scene as drawn
from blend.science.simulated.night import Night, SceneOptions, simulate_night

DEEP = {"rgb_frames": 240, "ha_frames": 96}
NOISY = {"rgb_frames": 8, "ha_frames": 8}
SHALLOW = {
    "rows": 200,
    "columns": 300,
    "stars_per_mpx": 1500.0,
    "rgb_frames": 3,
    "rgb_exposure_s": 10.0,
    "ha_frames": 4,
}
GALAXY, NEBULA = "galaxy-moonlit", "nebula-emission"
CHROMA_BEFORE = {GALAXY: 0.6, NEBULA: 0.0}
"""Share of the colour noise that the recipes took out when pictures were as `look.before_look` has them."""


@dataclass(frozen=True)
class Look:
    """A scene: what is drawn, the recipe, and by how much the galaxy's scale and axis ratio differ from the usual."""

    name: str
    options: dict[str, Any]
    recipe: str = GALAXY
    size: float = 1.0
    axis_ratio: float = 0.66
    noisy: bool = False

    @property
    def night(self) -> SceneOptions:
        """The options of the night."""
        return SceneOptions(
            **{"rows": 400, "columns": 600, "stars_per_mpx": 900.0, "knots": 400, **self.options}
        )


SCENES = (
    Look("small galaxy", {"seed": 7}, size=0.5),
    Look("galaxy", {"seed": 8}),
    Look("large galaxy", {"seed": 9}, size=2.0),
    Look("edge-on galaxy", {"seed": 10}, size=1.5, axis_ratio=0.12),
    Look("deep galaxy", {"seed": 11, **DEEP}),
    Look("noisy galaxy", {"seed": 12, **NOISY}, noisy=True),
    Look("nebula", {"seed": 13, "kind": "nebula", "stars_per_mpx": 3000.0}, recipe=NEBULA),
    Look(
        "noisy nebula",
        {"seed": 14, "kind": "nebula", "stars_per_mpx": 3000.0, **NOISY},
        recipe=NEBULA,
        noisy=True,
    ),
    Look("cluster", {"seed": 15, "kind": "cluster", "stars_per_mpx": 2500.0}),
    Look("noisy cluster", {"seed": 16, "kind": "cluster", "stars_per_mpx": 2500.0, **NOISY}, noisy=True),
    Look("shallow galaxy", {"seed": 17, **SHALLOW}, noisy=True),
    Look("shallow edge-on", {"seed": 18, **SHALLOW}, size=1.5, axis_ratio=0.12, noisy=True),
)


@contextmanager
def _shaped(look: Look) -> Iterator[None]:
    usual = drawn._lantern_spiral

    def other(shape: tuple[int, int], line_scale: float) -> drawn.Disc:
        disc = usual(shape, line_scale)
        return replace(
            disc,
            scale_length_px=disc.scale_length_px * look.size,
            bulge_sigma_px=disc.bulge_sigma_px * look.size,
            axis_ratio=look.axis_ratio,
        )

    with patch.object(drawn, "_lantern_spiral", other):
        yield


def draw_night(look: Look, *, noise_seed: int | None = None) -> Night:
    """Return the night of a scene, its truth with it; another seed of noise is another night of the same scene."""
    with _shaped(look):
        return simulate_night(replace(look.night, noise_seed=noise_seed))


def balanced_of(look: Look, night: Night, settings: tuple[str, ...] = ()) -> Work:
    """Return the state of the scene's run after the balance step."""
    with tempfile.TemporaryDirectory() as folder:
        return balanced_target(write_night(night, Path(folder)), look.recipe, settings)


def balanced_target(path: Path, recipe: str, settings: tuple[str, ...] = ()) -> Work:
    """Return the state of a target file's run after the balance step."""
    target = open_target(path)
    chosen = open_recipe(recipe, settings=settings, target=target)
    work = Work(recipe=chosen, target=target, sources=load_sources(target).sources)
    return next(state for name, state in run_steps(work) if name == "balance")
