"""What a run says of its scale, its tone and what its lines are worth, in words: from its record."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

WHITE = {
    "saturation": "White is the level at which the first plane of the sensor saturates.",
    "target": "White is solved so that the 99.9th percentile of the target's own pixels, field stars and clipped cores "
    "aside (in a cluster its stars), lands at {level:g}. Where the sky's noise would show, more than 0.02 as shown, "
    "black lies lower and the target stays dimmer. What is brighter than the target is led to the sensor's white by",
}
TENTH = 0.0921
"""ln of a tenth of a magnitude: 0.04 ln 10."""

SHOULDER = "y = t + (1 - t) * k * u / (1 + (k - 1) * u),  u = (light - target) / (saturation - target)"


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
        return f"{text} from {entry['stars']} stars{_colour_words(entry)}"
    own = entry.get("from_disc") or entry["from_nebula"]
    whose = "the target's own disc"
    if "from_nebula" in entry:
        whose = "the nebula's own light and the widths of the filters"
    if entry["how"] in ("disc", "nebula"):
        return f"{text} from {whose} ({own['cells']} places), too few stars"
    stars = entry["from_stars"]
    return (
        f"{text} from {stars['stars']} stars ({stars['scale']:.4g} +- {stars['error']:.2g}) and {whose} "
        f"({own['scale']:.4g} +- {own['error']:.2g}){_colour_words(entry)}"
    )


def _colour_words(entry: Mapping[str, Any]) -> str:
    """Return how a scale goes with colour; empty where stars do not tell."""
    if "colour_term" not in entry:
        return ""
    term = entry["colour_term"]
    slope, error = (100.0 * TENTH * term[key] for key in ("slope", "error"))
    return (
        f", and {abs(slope):.2g} +- {error:.1g} % {'larger' if slope > 0 else 'smaller'} for each tenth of a magnitude "
        f"that a disc is redder ({term['colour']})"
    )


def tone_words(record: Mapping[str, Any]) -> str:
    """Return the sentence on the target's brightness from a run's record; empty where nothing was solved for it."""
    tone = record["stretch"].get("rgb", {}).get("target")
    target = record.get("target_light")
    if not tone or not target:
        return ""
    share = target["signal_to_noise"]
    what = "the stars' brightest pixels" if target["stars"] else "the target's brightest part"
    text = f"{what}, {share:.0f} sigma of a sky pixel, at {tone['level']:.2f}"
    if tone["bound"] == "noise":
        enough = share * tone["needed"] / target["light"]
        text += f" instead of {tone['wanted']:.2f}: brighter, the sky's noise would show; {enough:.0f} sigma would do"
    elif tone["bound"] == "saturation":
        text += f" instead of {tone['wanted']:.2f}: darker, the sensor's white would be grey"
    return text


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
