"""The page of a batch: a thumbnail a target, linked to its report, and the reasons of those that failed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any


def batch_page(recipe: str, cards: Sequence[Mapping[str, Any]], counts: Mapping[str, int]) -> str:
    """Return the page as HTML; every text in it is escaped.

    Parameters
    ----------
    recipe : str
        As named on the command line.
    cards : sequence of mapping
        ``name state reason seconds warnings thumbnail report``; the last two are links relative to the page, or empty.
    counts : mapping
        Targets ``done``, ``skipped`` and ``failed``.
    """
    from jinja2 import Environment, PackageLoader, StrictUndefined

    loader = PackageLoader("blend.pages", "templates")
    made = Environment(loader=loader, autoescape=True, undefined=StrictUndefined)
    page: str = made.get_template("batch.html").render(recipe=recipe, cards=cards, counts=counts)
    return page
