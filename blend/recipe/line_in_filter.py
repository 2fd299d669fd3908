"""Whether a target's filters pass its lines, in words: for `check`, `inspect`, the record and the verdict."""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from blend.recipe.mastertable import WIDTH_NM, MasterFiles
from blend.recipe.target import Target
from blend.science.line import H_ALPHA_NM, LIGHT_KM_S, NII_NM, SHAPES, Passband, passed_light

LEAST_PASSED = 0.5
"""Of the line, by the shape that passes more: a filter that lets through less was meant for another velocity."""


def rest_wavelength(name: str, files: MasterFiles) -> float | None:
    """Return the wavelength of a master's line at rest, nm; None where neither it nor the name ``ha`` tells."""
    return H_ALPHA_NM if files.line_nm is None and name == "ha" else files.line_nm


def is_h_alpha(name: str, files: MasterFiles) -> bool:
    """Return whether a master's line is H-alpha: filters are named to the nanometre or two."""
    rest_nm = rest_wavelength(name, files)
    return rest_nm is not None and abs(rest_nm - H_ALPHA_NM) <= 3.0


def redshift(target: Target, name: str) -> tuple[float, str]:
    """Return a target's redshift and the words for it, by the facts of a line's master or else of rgb."""
    for facts in (target.masters[name].facts, target.masters["rgb"].facts):
        if facts.velocity_km_s is not None:
            return facts.velocity_km_s / LIGHT_KM_S, f"{facts.velocity_km_s:,.0f} km/s"
        if facts.redshift is not None:
            return facts.redshift, f"z = {facts.redshift:g}"
    return 0.0, "at rest"


def line_in_filter(target: Target, name: str) -> dict[str, Any]:
    """Return what a filter passes of its line, with ``words``; empty where the target file does not tell.

    Asked for by the filter's centre or the target's velocity; a centre that is not given is the line's own wavelength.
    """
    files = target.masters[name]
    z, moving = redshift(target, name)
    rest_nm = rest_wavelength(name, files)
    if rest_nm is None or (files.center_nm is None and moving == "at rest"):
        return {}
    h_alpha = is_h_alpha(name, files)
    rest_nm = H_ALPHA_NM if h_alpha else rest_nm
    band = Passband(files.center_nm or rest_nm, files.width_nm or WIDTH_NM, f_ratio=files.f_ratio)
    ratios = (files.facts.nii_ratio, target.masters["rgb"].facts.nii_ratio)
    ratio = next((known for known in ratios if known is not None), 0.0)
    shapes = SHAPES if files.passband is None else (files.passband,)
    found = passed_light(band, rest_nm=rest_nm, z=z, shapes=shapes, nii_ratio=ratio if h_alpha else None)
    told = {"z": z, **asdict(found), "center_nm": band.center_nm, "width_nm": band.width_nm}
    line = "H-alpha" if h_alpha else f"the line of {rest_nm:g} nm"
    assumed = "" if files.center_nm is not None else ", its centre taken at the line's own wavelength"
    beam = "" if files.f_ratio is None else f" in a beam of f/{files.f_ratio:g}"
    words = f"{line} lies at {found.at_nm:.2f} nm ({moving}); the filter {band.center_nm:g}/{band.width_nm:g} nm{beam}"
    words += f"{assumed} passes {_percent(found.line)} of it{_shapes(shapes, found.line)}"
    if found.nii:
        parts = zip(NII_NM, found.nii, strict=True)
        words += ", and of [N II] " + " and ".join(
            f"{_percent(p)} at {nm * (1 + z):.1f} nm" for nm, p in parts
        )
    if found.slope[1] >= 0.05 and found.line[1] > 0:
        words += f". Across a disc that turns by +-150 km/s it differs by {_percent(found.slope)}"
    if ratio and found.h_alpha is not None:
        words += f". With [N II] / H-alpha = {ratio:g}, {_percent(found.h_alpha)} of what passes is H-alpha"
    told |= {"nii_ratio": ratio if h_alpha else None, "passes": found.line[1] >= LEAST_PASSED}
    return {**told, "words": words}


def filter_warnings(target: Target, name: str) -> list[tuple[str, str]]:
    """Return the warning, as (code, text), of a filter that passes less than half of its line."""
    told = line_in_filter(target, name)
    if not told or told["passes"]:
        return []
    text = f"{name}: the line may lie outside its filter: {told['words']}. What is left is fainter by as much, and "
    text += "a filter for this velocity would show it; pixels are not changed by this"
    return [("line-outside-filter", text)]


def passband_words(target: Target) -> list[str]:
    """Return a sentence for every line whose place in its filter the target file tells."""
    told = {name: line_in_filter(target, name) for name in target.lines}
    return [
        f"{'filter' if entry['passes'] else 'doubt'}: {name}: {entry['words']}"
        for name, entry in told.items()
        if entry
    ]


def _percent(shares: tuple[float, float]) -> str:
    low, high = (f"{100 * share:.0f}" for share in shares)
    return f"{low} %" if low == high else f"{low} to {high} %"


def _shapes(shapes: tuple[str, ...], shares: tuple[float, float]) -> str:
    if len(shapes) == 1:
        return f" ({shapes[0]})"
    return " (Gaussian or top-hat)" if shares[0] != shares[1] else ""
