"""Invented nights with known truth: scenes, and the cameras that take them."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from blend.science.simulated.camera import Camera, FrameMasters
    from blend.science.simulated.drawing import View, add_sources
    from blend.science.simulated.night import Night, SceneOptions, simulate_night
    from blend.science.simulated.scene import Sources
else:
    from blend.base.door import open_door

    __getattr__, __all__ = open_door(__name__)
