"""What a run says of its tone: where the target landed, and what kept it from its level."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

WHITE = {
    "saturation": "White is the level at which the first plane of the sensor saturates.",
    "target": "White is solved so that the 99.9th percentile of the target's own pixels, field stars and clipped cores "
    "aside (in a cluster its stars), lands at {level:g}. Where the sky's noise would show, more than 0.02 as shown, "
    "black lies lower and the target stays dimmer. What is brighter than the target is led to the sensor's white by",
}
SHOULDER = "y = t + (1 - t) * k * u / (1 + (k - 1) * u),  u = (light - target) / (saturation - target)"


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
