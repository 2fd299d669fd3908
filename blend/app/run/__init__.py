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
        recipe_files,
        recipe_text,
        shipped_recipes,
    )
    from blend.app.run.outputs import WRITERS, crop_box, picture_writer, result_names, target_part, turner
    from blend.app.run.preview import (
        LONG_EDGE,
        Preview,
        preview_layers,
        shrink_layers,
        star_colours,
        star_tint,
    )
    from blend.app.run.replay import replay_record
    from blend.app.run.terminal import OnTerminal, Progress, aligned, details, notes, summary
    from blend.app.run.worth import middle_of, place_of, taken_of_master
else:
    from blend.base.door import open_door

    __getattr__, __all__ = open_door(__name__)
