"""A continuum scale in words, from its entry in the record."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def scale_words(entry: Mapping[str, Any]) -> str:
    """Return a scale with its error, and what told it; where several did, what each of them says.

    Examples
    --------
    >>> scale_words({"scale": 0.2, "error": 0.002, "stars": 40, "how": "stars"})
    '0.2 +- 0.002 from 40 stars'
    """
    if entry["how"] == "given":
        return f"{entry['scale']:.4g}, given"
    text = f"{entry['scale']:.4g} +- {entry['error']:.2g}"
    if entry["how"] == "stars":
        return f"{text} from {entry['stars']} stars"
    own = entry.get("from_disc") or entry["from_nebula"]
    whose = "the target's own disc"
    if "from_nebula" in entry:
        whose = "the nebula's own light and the widths of the filters"
    if entry["how"] in ("disc", "nebula"):
        return f"{text} from {whose} ({own['cells']} places), too few stars"
    stars = entry["from_stars"]
    return (
        f"{text} from {stars['stars']} stars ({stars['scale']:.4g} +- {stars['error']:.2g}) and {whose} "
        f"({own['scale']:.4g} +- {own['error']:.2g})"
    )
