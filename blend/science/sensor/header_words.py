"""What a header says of a stretch, in any word for it; evidence beside that of the pixels, never instead of it."""

from __future__ import annotations

import re
from collections.abc import Mapping

_STRETCH_WORDS = re.compile(
    r"\b(stretch(ed|ing)?|arc?sinh|gamma[- ]corrected|tone[- ]?mapp\w*)\b", re.IGNORECASE
)
_DENIALS = re.compile(r"\b(un|not |no |non-?)\s*stretch", re.IGNORECASE)


def stretch_words(header: Mapping[str, str]) -> str:
    """Return the first word of stretching in a header, or nothing."""
    for value in header.values():
        match = _STRETCH_WORDS.search(str(value))
        if match and not _DENIALS.search(str(value)):
            return match.group(0)
    return ""


def declared_display(header: Mapping[str, str]) -> bool:
    """Return whether a header says that the picture is in the display domain."""
    return any(
        "domain" in key.casefold() and value.strip().casefold() == "display" for key, value in header.items()
    )
