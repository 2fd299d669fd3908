"""The templates of pages, and what of them is text alone."""

from __future__ import annotations

from functools import cache
from typing import Any


@cache
def _environment() -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    loader = PackageLoader("blend.pages", "templates")
    return Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True)


def template(name: str) -> Any:
    """Return a template of ``templates/``: everything put into it is escaped, and what it lacks is a fault."""
    return _environment().get_template(name)


def template_text(name: str) -> str:
    """Return a file of ``templates/`` as it stands there."""
    text: str = _environment().loader.get_source(_environment(), name)[0]
    return text
