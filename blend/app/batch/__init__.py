"""Many targets under one recipe, on this machine or on a cluster."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from blend.app.batch.batch import BatchOptions, Watcher, plan_batch, run_batch, shares
    from blend.app.batch.draft_targets import plan_folder, write_plan
    from blend.app.batch.job import Verdict
    from blend.app.batch.plan import claim_batch
    from blend.app.batch.view import BatchView, plan_table, verdict_table
else:
    from blend.base.door import lazy_names

    __getattr__ = lazy_names(
        __name__,
        {
            "batch": ["BatchOptions", "Watcher", "plan_batch", "run_batch", "shares"],
            "draft_targets": ["plan_folder", "write_plan"],
            "job": ["Verdict"],
            "plan": ["claim_batch"],
            "view": ["BatchView", "plan_table", "verdict_table"],
        },
    )

__all__ = [
    "BatchOptions",
    "BatchView",
    "Verdict",
    "Watcher",
    "claim_batch",
    "plan_batch",
    "plan_folder",
    "plan_table",
    "run_batch",
    "shares",
    "verdict_table",
    "write_plan",
]
