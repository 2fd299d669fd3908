"""What a run's line masters are worth, in words: from its record."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any


def worth_words(entry: Mapping[str, Any], line: str, taken: Mapping[str, Any]) -> str:
    """Return the sentence on one line of one run.

    Examples
    --------
    >>> worth_words({"into": "red", "exposure_factor": 4.58, "error": 0.05}, "ha", {"exposure_s": 30.0, "frames": 60})
    'ha in red: as colour exposed 4.6 +- 0.2 times as long, 2.29 h for 0.50 h'
    """
    factor = entry["exposure_factor"]
    if factor is None:
        return f"{line} in {entry['into']}: no exposure of colour would do, its {entry['into']} does not hold the line"
    text = f"{line} in {entry['into']}: as colour exposed {factor:.1f} +- {factor * entry['error']:.1f} times as long"
    hours = (taken.get("exposure_s") or 0.0) * (taken.get("frames") or 0) / 3600.0
    if hours:
        text += f", {factor * hours:.2f} h for {hours:.2f} h"
    if "exposure_factor_without_moon" in entry:
        grown, dark = entry["sky_growth"], entry["exposure_factor_without_moon"]
        text += (
            f"; without the Moon it would be {dark:.1f} times (predicted: the Moon made the sky "
            f"x {grown[entry['into']]:.2f} in {entry['into']}, x {grown[line]:.2f} through the filter of {line})"
        )
    return text
