"""A camera's frames made into masters."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from blend.app.frames.gain import exposure_facts, measure_gain
    from blend.app.frames.groups import parse_memory
    from blend.app.frames.stack import stack_frames
    from blend.app.frames.stacked import StackOptions
else:
    from blend.base.door import open_door

    __getattr__, __all__ = open_door(__name__)
