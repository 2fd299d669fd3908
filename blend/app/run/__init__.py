"""One target, from files to files: opened, run, written, shown and run again."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from blend.app.run.check import check_files
    from blend.app.run.job import Outcome, claim_results, run_target, setup_of
    from blend.app.run.load import (
        load_sources,
        open_recipe,
        open_target,
        read_lights,
        read_text,
        recipe_text,
    )
    from blend.app.run.outputs import WRITERS, crop_box, picture_writer, result_names, turner
    from blend.app.run.preview import LONG_EDGE, Preview, preview_layers, shrink_layers, star_tint
    from blend.app.run.replay import replay_record
    from blend.app.run.terminal import Progress, printable, summary
    from blend.app.run.worth import place_of, taken_of_master
else:
    from blend.base.door import lazy_names

    __getattr__ = lazy_names(
        __name__,
        {
            "check": ["check_files"],
            "job": ["Outcome", "claim_results", "run_target", "setup_of"],
            "load": [
                "load_sources",
                "open_recipe",
                "open_target",
                "read_lights",
                "read_text",
                "recipe_text",
            ],
            "outputs": ["WRITERS", "crop_box", "picture_writer", "result_names", "turner"],
            "preview": ["LONG_EDGE", "Preview", "preview_layers", "shrink_layers", "star_tint"],
            "replay": ["replay_record"],
            "terminal": ["Progress", "printable", "summary"],
            "worth": ["place_of", "taken_of_master"],
        },
    )

__all__ = [
    "LONG_EDGE",
    "WRITERS",
    "Outcome",
    "Preview",
    "Progress",
    "check_files",
    "claim_results",
    "crop_box",
    "load_sources",
    "open_recipe",
    "open_target",
    "picture_writer",
    "place_of",
    "preview_layers",
    "printable",
    "read_lights",
    "read_text",
    "recipe_text",
    "replay_record",
    "result_names",
    "run_target",
    "setup_of",
    "shrink_layers",
    "star_tint",
    "summary",
    "taken_of_master",
    "turner",
]
