"""The demonstration: a simulated night, and how close a run came to its truth."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from blend.app.demo.demo import run_demo, write_night
else:
    from blend.base.door import open_door

    __getattr__, __all__ = open_door(__name__)
