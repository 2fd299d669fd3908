"""What is known of a plane's sky once it is taken out, and in which words it is told."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from blend.base.shares import in_percent
from blend.recipe.state import SkyView
from blend.recipe.steps.flatwords import Bowl, bowl_warnings
from blend.recipe.tables import Gradient
from blend.science.sky import (
    CAN_EAT,
    CornerGlow,
    SkyFit,
    SlopeCheck,
    Strength,
    likely_causes,
    sky_uncertainty,
    surely_below,
)

TOO_STEEP_SIGMA = 0.25
"""A slope left above this many sigma of a pixel, corner to corner, is worth a warning."""
TOO_UNSURE_SIGMA = 1.0
"""So is a sky whose own error, all over the frame, is more than a pixel's noise."""
UNEVEN_SIGMA = 1.0
"""So is a hundredth of the frame that lies further from neutral than a pixel's noise: stretched, it shows."""
CLEARLY_LESS = 0.5
"""A spline is suggested where it leaves no more than this share of it."""


@dataclass(frozen=True, eq=False)
class PlaneSky:
    """A plane with its sky taken out; ``uneven`` is its largest deviation, ``by_spline`` that with a spline."""

    fit: SkyFit
    bowl: Bowl | None
    glow: CornerGlow | None
    check: SlopeCheck | None
    view: SkyView
    left: float | None
    uneven: float | None = None
    by_spline: float | None = None


def sky_entry(done: PlaneSky, upside_down: bool) -> dict[str, Any]:
    """Return what the record keeps of a plane's sky."""
    fit, noise, left = done.fit, done.view.noise, done.left
    entry: dict[str, Any] = {
        "model": fit.name,
        "degree": fit.degree,
        "amplitude": fit.amplitude,
        "residual": fit.residual,
        "uncertainty": sky_uncertainty(fit),
        "sky_share": fit.sky_share,
        "slope_left": left,
        "slope_left_sigma": left / noise if left is not None and noise > 0 else None,
        "largest_deviation": done.uneven,
        "largest_deviation_sigma": done.uneven / noise if done.uneven is not None and noise > 0 else None,
        "sigma": noise if noise > 0 else None,
    }
    if fit.line_factor is not None:
        entry["line_factor"] = fit.line_factor
    if fit.strength is not None:
        entry["strength"] = {
            "value": fit.strength.value,
            "error": fit.strength.error,
            "held_at_0": fit.strength.held,
        }
    if done.check is not None:
        keys = ("predicted_percent", "predicted_deg", "fitted_percent", "fitted_deg", "agrees")
        entry["moon"] = {key: getattr(done.check, key) for key in keys}
    if done.glow is not None:
        entry["corner_glow"] = {
            "corner": _corner(done.glow, upside_down),
            "amount": done.glow.amount,
            "percent": done.glow.percent,
            "sigma": done.glow.sigma,
        }
    if done.bowl is not None:
        entry["flat_fault"] = done.bowl.entry()
    return entry


def _corner(glow: CornerGlow, upside_down: bool) -> str:
    """Return which corner it is as the report shows the frame, upright."""
    return f"{'bottom' if glow.high_y != upside_down else 'top'} {'right' if glow.high_x else 'left'}"


def plane_warnings(label: str, done: PlaneSky) -> list[tuple[str, str]]:
    """Return what one plane's sky has to warn of."""
    fit, noise, left = done.fit, done.view.noise, done.left
    found = []
    unsure = sky_uncertainty(fit) / noise if noise > 0 else 0.0
    if fit.sky_share == 0.0:
        text = f"{label}: no part of the frame is sky for sure; the darkest was taken, uncertain by {unsure:.1f} sigma"
        found.append(("sky-unknown", text + " of a pixel. Mark sky_boxes, or let a line guide the fit"))
    elif unsure > TOO_UNSURE_SIGMA:
        text = f"{label}: the sky taken out is uncertain by {unsure:.1f} sigma of a pixel; too little of the frame"
        text += " is surely free of light"
        if fit.name == "moonlight":
            text += ", or the sky is not of the Moon's shape alone"
        found.append(("sky-uncertain", text))
    if left is not None and noise > 0 and left / noise > TOO_STEEP_SIGMA:
        text = f"{label}: a residual gradient of {left / noise:.2f} sigma of a pixel across the frame"
        found.append(("slope-left", text))
    if done.uneven is not None and noise > 0 and done.uneven > UNEVEN_SIGMA * noise:
        found.append(("sky-uneven", _uneven(label, done, noise)))
    if fit.strength is not None and surely_below(fit.strength):
        found.append(("moonlight-held", _held(label, fit.strength, noise)))
    if done.check is not None and not done.check.agrees:
        found.append(("slope-unlike-moon", _unlike(label, done.check, done.glow)))
    return found


def _uneven(label: str, done: PlaneSky, noise: float) -> str:
    assert done.uneven is not None
    text = f"{label}: where no object was found, a hundredth of the frame or more lies {done.uneven / noise:.1f} sigma"
    text += " of a pixel from neutral: the sky may bend more than the model does (street light, reflections)"
    if done.by_spline is None or done.by_spline > CLEARLY_LESS * done.uneven:
        return text
    return (
        text
        + f'. model = "spline" would leave {done.by_spline / noise:.1f} (picture: inspect --sky); '
        + CAN_EAT
    )


def _held(label: str, strength: Strength, noise: float) -> str:
    return (
        f"{label}: the sky darkens where moonlight should brighten it; fitted freely, moonlight would lie "
        f"{strength.free / -strength.free_error:.0f} of its errors below 0. It was held at 0 (no more than about "
        f"{2.0 * strength.error / noise:.1g} sigma of a pixel): a level was taken out, no slope. Check date, site, "
        'coordinates and direction, or choose model = "polynomial"'
    )


def _unlike(label: str, check: SlopeCheck, glow: CornerGlow | None) -> str:
    causes = likely_causes(check, glow=glow is not None)
    return (
        f"{label}: the sky slopes by {check.fitted_percent:.2f} % of its level over the frame, towards "
        f"{check.fitted_deg:.0f} degrees from the columns to the rows; the Moon would make "
        f"{check.predicted_percent:.2f} % towards {check.predicted_deg:.0f}. They differ by {check.off_percent:.2f} %, "
        f"more than their errors ({check.limit_percent:.2f} %). Likely causes: {causes}"
    )


def glow_warnings(name: str, done: dict[str, PlaneSky], upside_down: bool) -> list[tuple[str, str]]:
    """Return what a master's brightest corner has to warn of: one sentence for all planes that show one."""
    glows = {plane: entry.glow for plane, entry in done.items() if entry.glow is not None}
    if not glows:
        return []
    numbers = ", ".join(
        f"{plane} {_corner(glow, upside_down)}{_glow_share(glow)}, {glow.sigma:.0f} times its error"
        for plane, glow in glows.items()
    )
    text = f"{name}: one corner is brighter than the sky ({numbers}). It was left in. Likely causes: a glow of the "
    text += (
        "sensor's amplifier (take darks of the same length), light that strays into the tube, or nebula that "
    )
    return [
        ("corner-glow", text + 'falls off from there; model = "spline" takes it out, with what that can eat')
    ]


def _glow_share(glow: CornerGlow) -> str:
    share = in_percent(glow.percent / 100.0, ".2f")
    return f" +{share} of the sky" if share else ""


def master_warnings(name: str, settings: Gradient, done: dict[str, PlaneSky]) -> list[tuple[str, str]]:
    """Return what holds for a whole master: faults of its flat, a spline."""
    bowls = {plane: entry.bowl for plane, entry in done.items() if entry.bowl is not None}
    found = bowl_warnings(name, bowls, settings)
    if settings.model == "spline":
        found.append(("spline-can-eat", f"{name}: {CAN_EAT}"))
    return found
