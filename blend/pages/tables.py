"""The tables at the end of the page: every number of the record with its error, in one cell."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from blend.pages.measured import measured, small
from blend.pages.pairs import Signal
from blend.recipe.record_words import worth_words

Table = dict[str, Any]


def tables(record: Mapping[str, Any], signals: list[Signal]) -> list[Table]:
    """Return caption, heads and rows of every table."""
    return [
        _table(
            "Masters: sky, and noise of block means before resampling; fractions of full scale",
            ("plane", "sky", "noise 1 px", "4 px", "16 px", "64 px"),
            [
                (f"{name}.{plane}", *(small(v) for v in (told.get("sky"), *told["noise"].values())))
                for name, master in record["masters"].items()
                for plane, told in master["planes"].items()
            ],
        ),
        _table(
            "Registration to the reference",
            ("master", "stars", "rms +- error of the map (95 %)", "transform", "mirrored", "overlap"),
            [
                (
                    n,
                    e["matched"],
                    measured(e["rms_px"], (e["error_px"] or {}).get("worst"), "px"),
                    e["transform"],
                    "yes" if e["mirrored"] else "no",
                    f"{100 * e['overlap']:.0f} %",
                )
                for n, e in record["register"].items()
            ],
        ),
        _table(
            "Gradient removed, fractions of full scale; residual gradient in sigma of a pixel",
            ("plane", "model", "range across the frame", "residual"),
            [
                (
                    f"{n}.{p}",
                    f"{e['model']}, degree {e['degree']}",
                    small(e["amplitude"], e["uncertainty"]),
                    measured(e["slope_left_sigma"], None, "sigma"),
                )
                for n, planes in record["gradient"].items()
                for p, e in planes.items()
            ],
        ),
        *_moon_table(record),
        *_worth_table(record),
        *_white_table(record["balance"]),
        *_signal_table(signals),
    ]


WHITE = {
    "stars": "the typical star",
    "catalogue": "stars of the catalogue",
    "given": "gains that were given",
    "none": "nothing: left as it was",
}


def _white_table(told: Mapping[str, Any]) -> list[Table]:
    """Return the gains with their errors, and what a catalogue said."""
    if not told:
        return []
    caption = f"White by {WHITE[told['how']]}"
    found = told.get("catalogue")
    if found is not None:
        low, high = found["b_v_range"]
        caption += (
            f": B - V = {found['white_b_v']:g} is white; {found['matched']} of {found['stars_in_frame']} stars in the "
            f"frame matched, {small(found['rms_px'])} px rms after a shift of {found['shift_px'][0]:.1f}, "
            f"{found['shift_px'][1]:.1f} px; {told['stars']} used, B - V {low:.2f} to {high:.2f}"
        )
    elif told["stars"]:
        caption += f": {told['stars']} stars"
    columns = ("plane", "gain")
    rows: list[tuple[str, ...]] = [
        (plane, measured(gain, told["errors"][plane], least=0.001)) for plane, gain in told["gains"].items()
    ]
    if found is None:
        return [_table(caption, columns, rows)]
    # the white plane has no slope: it is what the others are held against
    rows = [(*row, small(found["slopes"].get(row[0]))) for row in rows]
    return [_table(caption, (*columns, "ln(gain) a mag of B - V"), rows)]


def _moon_table(record: Mapping[str, Any]) -> list[Table]:
    """Return the fitted slopes beside the predicted ones, or nothing where date, site or coordinates are unknown."""
    rows = [
        (
            f"{name}.{plane}",
            small(moon["fitted_percent"]),
            f"{moon['fitted_deg']:.0f}",
            small(moon["predicted_percent"]),
            f"{moon['predicted_deg']:.0f}",
            "yes" if moon["agrees"] else "no, see the notes",
        )
        for name, planes in record["gradient"].items()
        for plane, entry in planes.items()
        if (moon := entry.get("moon")) is not None
    ]
    caption = (
        "Slope of the sky beside what the Moon would make (Krisciunas & Schaefer 1991; good to 8 to 23 %), % of the "
        "level over the frame and degrees from the columns to the rows. Nothing predicted was subtracted as a level"
    )
    heads = ("plane", "fitted %", "towards", "predicted %", "towards", "agree")
    return [_table(caption, heads, rows)] if rows else []


def _worth_table(record: Mapping[str, Any]) -> list[Table]:
    """Return what the lines stand for as exposure of colour, or nothing where none came into a colour plane."""
    taken = record["taken"].get("rgb", {})
    rows = [(line, worth_words(entry, line, taken)) for line, entry in record["worth"].items()]
    caption = "Was it worth it: exposure of colour for the same signal-to-noise of faint line light, under the same sky"
    return [_table(caption, ("line", "stands for"), rows)] if rows else []


def _signal_table(signals: list[Signal]) -> list[Table]:
    rows = [(name, small(signal), *(small(ratio) for ratio in ratios)) for name, signal, ratios in signals]
    caption = (
        "Signal to noise: the light that a tenth of the objects' area exceeds, stars left out (of a line, of the area "
        "where it shines), over the noise of block means before resampling"
    )
    heads = ("plane", "signal", "S/N 1 px", "4 px", "16 px", "64 px")
    return [_table(caption, heads, rows)] if rows else []


def _table(caption: str, heads: tuple[str, ...], rows: list[Any]) -> Table:
    return {"caption": caption, "heads": heads, "rows": rows}
