"""Say what a file is: shape, facts, sky, noise, stars, and what looks wrong."""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import numpy as np

from blend.app.frames import exposure_facts
from blend.app.run import open_target
from blend.base.errors import BlendError, Faults
from blend.base.master import Facts, Flag, Master
from blend.base.shares import MOST_SLOPE, in_percent
from blend.files.cards import odd_card_note
from blend.files.raw import is_raw, peek_mosaic
from blend.files.reader import coordinates_fault, header_text, peek, read_picture
from blend.files.record import record_text
from blend.pages.measured import measured
from blend.recipe.lights import FLOAT_IN_FRACTIONS, brightest
from blend.recipe.line_in_filter import passband_words
from blend.science.plane import Figures, measure
from blend.science.sensor import Verdict, judge
from blend.science.stars import find_stars, fwhm_and_error

TOLD_FACTS = (
    *("exposure_s", "frames", "temperature_c", "iso", "gain_e"),
    *("full_scale", "date_obs", "filter", "site"),
)


@dataclass(frozen=True)
class Inspected:
    """What `blend inspect` prints of the files that can be read, and the faults of those that cannot, or None."""

    text: str
    faults: Faults | None


def inspect_files(
    paths: Sequence[Path],
    *,
    as_json: bool = False,
    gain_e: float | None = None,
    read_noise_e: float | None = None,
) -> Inspected:
    """Return what `blend inspect` prints of some files; gain and read noise are those of single frames.

    As JSON, a file that cannot be read has an entry of its own too, with its ``error``.
    """
    told: list[dict[str, Any]] = []
    faults: list[BlendError] = []
    for path in paths:
        try:
            told.append(inspect_file(path, gain_e=gain_e, read_noise_e=read_noise_e))
        except BlendError as fault:
            faults.append(fault)
            told.append({"path": str(path), "error": str(fault)})
    several = Faults(faults) if faults else None
    if as_json:
        return Inspected(json.dumps([json.loads(record_text(entry)) for entry in told], indent=2), several)
    return Inspected("\n\n".join(_in_words(entry) for entry in told if "error" not in entry), several)


def inspect_file(
    path: Path, *, gain_e: float | None = None, read_noise_e: float | None = None
) -> dict[str, Any]:
    """Return all that is measured on one file; levels are fractions of full scale where that is known.

    Of a target file, whether its filters pass its lines.
    """
    if path.suffix == ".toml":
        return {"path": str(path), "kind": "target", "filters": passband_words(open_target(path))}
    if is_raw(path):
        return _raw_frame(path, gain_e, read_noise_e)
    seen = peek(path)
    master = read_picture(path)
    scale = master.facts.full_scale or 1.0
    verdict = judge(master.pixels, master.planes, header=header_text(path), invalid=master.has(Flag.NO_DATA))
    unused = verdict.border | master.has(Flag.NO_DATA)
    figures = measure(master.pixels, master.planes, invalid=unused)
    unusable = [coordinates_fault(path, master)]
    one_frame = (master.facts.frames or 1) == 1 and "BAYERPAT" in header_text(path)
    return {
        "path": str(path),
        "kind": seen.kind,
        "rows": seen.shape[0],
        "columns": seen.shape[1],
        "depth": seen.depth,
        "unit": _unit(master),
        "facts": {
            **_stated(master.facts),
            **{"rows": master.facts.rows, "plate_solved": master.facts.wcs is not None},
        },
        "planes": {
            name: _plane(master, index, figures[name], verdict, scale)
            for index, name in enumerate(master.planes)
        },
        "linear": verdict.linear,
        "linearity": _linearity(verdict),
        "findings": [
            *({"code": f.code, "text": f.text, "evidence": dict(f.evidence)} for f in verdict.findings),
            *({"code": "coordinates-unusable", "text": text, "evidence": {}} for text in unusable if text),
            *({"code": code, "text": text} for code, text in odd_card_note(master.facts, "header")),
        ],
    } | ({"exposure": exposure_facts(path, gain_e=gain_e, read_noise_e=read_noise_e)} if one_frame else {})


def _linearity(verdict: Verdict) -> dict[str, Any] | None:
    if verdict.linearity is None:
        return None
    told = asdict(verdict.linearity)
    return {key: None if value != value else value for key, value in told.items()}  # NaN is not itself


def _linearity_in_words(told: dict[str, Any] | None) -> list[str]:
    if told is None:
        return []
    words = {
        "linear": "the stars say it is",
        "cannot tell": "cannot tell, too few stars far enough above the sky, or noise that was reprocessed",
    }
    text = words.get(told["outcome"], told["outcome"])
    if told["power_error"] is not None:
        text += (
            f" ({told['stars']} stars, power {told['power']:.2f} +- {told['power_error']:.2f}; 1 is linear)"
        )
    return [f"  linear? {text}"]


def _raw_frame(path: Path, gain_e: float | None, read_noise_e: float | None) -> dict[str, Any]:
    head = peek_mosaic(path)
    return {
        "path": str(path),
        "kind": head.kind,
        "rows": head.shape[0],
        "columns": head.shape[1],
        "pattern": head.pattern,
        "black": list(head.black),
        "camera": head.camera or None,
        "facts": _stated(head.facts),
        "notes": list(head.notes),
        "exposure": exposure_facts(path, gain_e=gain_e, read_noise_e=read_noise_e),
    }


def _unit(master: Master) -> str:
    if master.facts.full_scale:
        return "fractions of full scale"
    if brightest(master) <= FLOAT_IN_FRACTIONS:
        return "fractions of full scale, as floating-point numbers of this size are taken"
    return "the file's own counts: it states no full scale"


def _stated(facts: Facts) -> dict[str, Any]:
    return {name: value for name in TOLD_FACTS if (value := getattr(facts, name)) is not None}


def _plane(master: Master, index: int, figures: Figures, verdict: Verdict, scale: float) -> dict[str, Any]:
    plane = master.pixels[index]
    entry: dict[str, Any] = {
        "sky": figures["sky"] / scale,
        "sky_position": figures["sky_position"],
        "noise": {str(size): sigma / scale for size, sigma in figures["noise"].items()},
        "saturation": None if figures["saturation"] is None else figures["saturation"] / scale,
        "slope": figures["slope"] / scale,
        "slope_percent": figures["slope_percent"],
        "least": figures["least"] / scale,
        "greatest": figures["greatest"] / scale,
        "missing": figures["missing"],
    }
    if np.isfinite(plane).any():
        stars = find_stars(
            plane, invalid=verdict.border | master.has(Flag.NO_DATA), saturation=figures["saturation"]
        )
        width, error = fwhm_and_error(stars)
        entry |= {"stars": len(stars), "fwhm_px": width, "fwhm_error_px": error}
    return entry


def _in_words(entry: dict[str, Any]) -> str:
    if entry["kind"] == "target":
        unknown = [
            "neither center_nm nor velocity_km_s is given: whether the filters pass the lines is not known"
        ]
        return "\n  ".join([f"{entry['path']}", *(entry["filters"] or unknown)])
    if entry["kind"] == "raw":
        return _raw_in_words(entry)
    lines = [f"{entry['path']}"]
    planes = entry["planes"]
    lines.append(
        f"  {entry['kind']}, {entry['columns']} x {entry['rows']} pixels, {len(planes)} "
        f"plane{'s' if len(planes) > 1 else ''}, {entry['depth']}; levels in {entry['unit']}"
    )
    facts = ", ".join(f"{name} {value}" for name, value in entry["facts"].items())
    lines.append(f"  facts: {facts}")
    for name, told in planes.items():
        lines += _plane_in_words(name, told)
    lines += _linearity_in_words(entry["linearity"])
    if entry["findings"]:
        lines.append("  warnings:")
        lines += [f"    {finding['text']} [{finding['code']}]" for finding in entry["findings"]]
    else:
        lines.append("  nothing looks wrong: no stretch seen, no border, no mosaic")
    return "\n".join(lines + _exposure_in_words(entry))


def _raw_in_words(entry: dict[str, Any]) -> str:
    black = ", ".join(f"{level:g}" for level in entry["black"])
    lines = [
        f"{entry['path']}",
        f"  raw frame, {entry['columns']} x {entry['rows']} photosites, {entry['pattern']}, black {black}"
        + (f", {entry['camera']}" if entry["camera"] else ""),
        "  facts: "
        + (", ".join(f"{name} {value}" for name, value in entry["facts"].items()) or "none stated"),
    ]
    return "\n".join(lines + _exposure_in_words(entry) + [f"  {note}" for note in entry["notes"]])


def _exposure_in_words(entry: dict[str, Any]) -> list[str]:
    if "exposure" not in entry:
        return []
    return ["  the exposure:"] + [f"    {text}" for text in entry["exposure"]["words"]]


def _plane_in_words(name: str, told: dict[str, Any]) -> list[str]:
    if not np.isfinite(told["sky"]):
        return [f"  {name}: no pixel that could be measured; all are border or hold no data"]
    saturation = (
        "no pixels pile up" if told["saturation"] is None else f"saturated at {told['saturation']:.4g}"
    )
    place = in_percent(told["sky_position"])
    lines = [
        f"  {name}: sky {_short(told['sky'])}{f' ({place} of the histogram)' if place else ''}, "
        f"from {_short(told['least'])} to {_short(told['greatest'])}, {saturation}",
        f"    {_noise_in_words(told['noise'])}",
        f"    {_slope_in_words(told)}",
    ]
    if "stars" in told:
        fwhm = measured(told["fwhm_px"], told["fwhm_error_px"], "px") if np.isfinite(told["fwhm_px"]) else ""
        width = f", FWHM {fwhm}" if fwhm else ""
        lines.append(f"    {told['stars']} stars{width}")
    if told["missing"] > 0:
        lines.append(f"    {in_percent(told['missing'])} of the pixels hold no data")
    return lines


def _noise_in_words(noise: dict[str, float]) -> str:
    known = [f"{_short(sigma)} at {size} px" for size, sigma in noise.items() if np.isfinite(sigma)]
    unknown = [size for size, sigma in noise.items() if not np.isfinite(sigma)]
    without = f"too little of the frame for it at {', '.join(unknown)} px" if unknown else ""
    return "; ".join(part for part in (f"noise {', '.join(known)}" if known else "noise", without) if part)


def _slope_in_words(told: dict[str, Any]) -> str:
    if not np.isfinite(told["slope"]):
        return "slope across the frame not measured: too little sky"
    share = in_percent(told["slope_percent"] / 100.0, most=MOST_SLOPE)
    of = (
        f"{share} of the sky" if share else "no share of the sky, whose level is near 0 or below: subtracted?"
    )
    return f"slope across the frame {_short(told['slope'])} ({of})"


def _short(value: float) -> str:
    return f"{value:.4g}"
