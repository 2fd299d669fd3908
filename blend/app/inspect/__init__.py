"""Looking without a run: what files, formulas, injected H II regions and the Moon say."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from blend.app.inspect.compare import compare_runs
    from blend.app.inspect.files import inspect_files
    from blend.app.inspect.manual import formula_page, formula_table
    from blend.app.inspect.moon import moon_command
    from blend.app.inspect.recovery import inspect_injected
    from blend.app.inspect.skies import inspect_sky
    from blend.app.inspect.worth import worth_report
else:
    from blend.base.door import open_door

    __getattr__, __all__ = open_door(__name__)
