"""The templates of pages, what of them is text alone, and what goes into them as it is: markup and pictures."""

from __future__ import annotations

import base64
import os
from functools import cache
from pathlib import Path
from typing import Any
from urllib.parse import quote


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


def markup(text: str) -> Any:
    """Return text of our own making that a template is not to escape."""
    from markupsafe import Markup

    return Markup(text)


def data_url(data: bytes, kind: str = "jpeg") -> str:
    """Return the bytes of a picture as a URL that holds them."""
    return f"data:image/{kind};base64,{base64.b64encode(data).decode('ascii')}"


def link_to(path: Path, *, page: Path) -> str:
    """Return a link to a file from a page in the folder ``page``, relative; empty where no way leads there."""
    try:
        return quote(Path(os.path.relpath(path, page)).as_posix())
    except ValueError:  # another drive
        return ""
