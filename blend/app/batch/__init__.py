"""Many targets under one recipe, on this machine or on a cluster."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from blend.app.batch.batch import Watcher, run_batch
    from blend.app.batch.draft_targets import plan_folder, write_plan
    from blend.app.batch.job import Verdict
    from blend.app.batch.plan import BatchOptions, claim_batch, plan_batch, shares
    from blend.app.batch.view import BatchView, plan_table, verdict_table
else:
    from blend.base.door import open_door

    __getattr__, __all__ = open_door(__name__)
