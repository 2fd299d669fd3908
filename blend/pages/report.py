"""The page that every run leaves: what was done, how well, and how to do it again."""

from __future__ import annotations

import base64
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.files.png import jpeg_bytes
from blend.pages.emissionfigures import emission_figures
from blend.pages.figures import histogram_svg, scale_svg
from blend.pages.pairs import Turn, corner_pairs, residual_fits, signal_rows
from blend.pages.skyfigures import sky_figures
from blend.pages.verdict import verdict
from blend.recipe.auto_words import amount_words, auto_words
from blend.recipe.scale_words import scale_words
from blend.recipe.state import Work
from blend.recipe.toml import to_toml
from blend.recipe.worth_words import worth_words

Picture = NDArray[np.float32]


@dataclass(frozen=True, eq=False)
class Pictures:
    """Upright display pictures (3, rows, columns): with the lines and without, averaged over ``factor`` pixels.

    ``turn`` turns any array of the grid upright.
    """

    with_lines: Picture
    without_lines: Picture
    factor: int
    turn: Turn


def report_page(
    work: Work,
    record: Mapping[str, Any],
    pictures: Pictures,
    *,
    command: str = "",
    drawn: Mapping[str, Any] | None = None,
) -> str:
    """Return the report as one self-contained HTML page.

    Parameters
    ----------
    work : Work
        The last state of the run.
    record : mapping
        The run's record.
    pictures : Pictures
    command : str
        What repeats the run.
    drawn : mapping, optional
        What of `DRAWN_AFTER` is drawn already, by the name of its step; the rest is drawn now.

    Notes
    -----
    Text from files (names, titles, headers) is escaped; nothing is loaded from anywhere.
    """
    added, scale = added_map(pictures)
    plots = {step: draw(work) for step, draw in DRAWN_AFTER.items() if step not in (drawn or {})} | dict(
        drawn or {}
    )
    page: str = _template().render(
        title=record["recipe"].get("title") or work.target.name,
        lead=_lead(work, record),
        verdict=verdict(record),
        with_lines=_data_url(pictures.with_lines),
        without_lines=_data_url(pictures.without_lines),
        factor=pictures.factor,
        added=_data_url(added),
        added_scale=scale,
        warnings=record["warnings"],
        tables=[*_tables(record), *_signal_table(work, record)],
        fits=[(fit.name, _safe(fit.svg), fit.text) for fit in plots["register"]],
        pairs=corner_pairs(work, pictures.turn, record.get("crop")),
        sky_figures=plots["gradient"],
        histogram=_safe(histogram_svg(pictures.with_lines, _sky_level(record))),
        scale_plots=plots["continuum"][0],
        emission_figures=plots["continuum"][1],
        formulas=_formulas(work, record),
        inputs=record["inputs"],
        recipe=to_toml(record["recipe"]),
        command=command,
    )
    return page


def added_map(pictures: Pictures) -> tuple[Picture, float]:
    """Return a picture of what the blends added, and the difference that is shown at full brightness."""
    difference = np.nan_to_num(pictures.with_lines - pictures.without_lines).max(axis=0)
    # Every third row and column are enough for a percentile.
    scale = max(float(np.percentile(difference[::3, ::3], 99.9)), 1e-3)
    shown = np.clip(difference / scale, 0.0, 1.0)
    # One hue from black: brightness alone carries the number.
    return np.stack([shown, 0.72 * shown**1.2, 0.45 * shown**1.6]).astype(np.float32), scale


def _lead(work: Work, record: Mapping[str, Any]) -> str:
    rows, columns = work.rgb.shape
    lines = ", ".join(work.line_names) or "no line"
    return (
        f"{work.target.name}: colour with {lines}, {columns} x {rows} pixels, {len(record['blend'])} blends"
    )


def _sky_level(record: Mapping[str, Any]) -> float | None:
    solved = record["stretch"].get("rgb")
    return solved["sky_level"] if solved else None


def _data_url(picture: Picture) -> str:
    return "data:image/jpeg;base64," + base64.b64encode(jpeg_bytes(picture)).decode("ascii")


def _safe(markup: str) -> Any:
    from markupsafe import Markup

    return Markup(markup)


def _template() -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    loader = PackageLoader("blend.pages", "templates")
    return Environment(loader=loader, autoescape=True, undefined=StrictUndefined).get_template("report.html")


def _formulas(work: Work, record: Mapping[str, Any]) -> list[dict[str, Any]]:
    return [
        {
            "label": label,
            "text": f"{entry['from']} into {entry['into']} by {entry['formula']}, {amount_words(entry)}"
            + (f"; {auto_words(entry)}" if "auto" in entry else ""),
            "mathml": _safe(work.recipe.formula(entry["formula"]).parsed.mathml()),
            "params": ", ".join(f"{name} = {value:g}" for name, value in entry["params"].items()),
        }
        for label, entry in record["blend"].items()
    ]


def _scale_plots(work: Work) -> list[dict[str, Any]]:
    plots = []
    for name in work.line_names:
        scale = work.lines[name].scale
        if scale is not None and scale.stars:
            words = scale_words(work.recorded["continuum"][name])
            caption = f"{name}: scale {words}; hollow marks were left out, H II regions among them"
            plots.append({"svg": _safe(scale_svg(scale)), "caption": caption})
    return plots


DRAWN_AFTER: Mapping[str, Callable[[Work], Any]] = {
    "register": residual_fits,
    "gradient": sky_figures,
    "continuum": lambda work: (_scale_plots(work), emission_figures(work)),
}
"""Plots that stand once a step is done, so that they can be drawn beside the next ones."""


def _tables(record: Mapping[str, Any]) -> list[dict[str, Any]]:
    return [
        _table(
            "Masters, in fractions of full scale; noise of block means before resampling",
            ("plane", "sky", "noise 1 px", "4 px", "16 px", "64 px"),
            [
                (f"{name}.{plane}", *(_figure(v) for v in (told.get("sky"), *told["noise"].values())))
                for name, master in record["masters"].items()
                for plane, told in master["planes"].items()
            ],
        ),
        _table(
            "Registration to the reference",
            ("master", "stars", "rms px", "transform", "mirrored", "covers", "errs by, px (95 %)"),
            [
                (
                    n,
                    e["matched"],
                    _figure(e["rms_px"]),
                    e["transform"],
                    "yes" if e["mirrored"] else "no",
                    f"{100 * e['overlap']:.0f} %",
                    _map_error(e["error_px"]),
                )
                for n, e in record["register"].items()
            ],
        ),
        _table(
            "Sky taken out",
            ("plane", "model", "degree", "end to end", "uncertain by", "slope left", "in sigma of a pixel"),
            [
                (
                    f"{n}.{p}",
                    e["model"],
                    e["degree"],
                    _figure(e["amplitude"]),
                    _figure(e["uncertainty"]),
                    _figure(e["slope_left"]),
                    _figure(e["slope_left_sigma"]),
                )
                for n, planes in record["gradient"].items()
                for p, e in planes.items()
            ],
        ),
        *_moon_table(record),
        *_worth_table(record),
        *_white_table(record["balance"]),
    ]


def _map_error(error: Mapping[str, float] | None) -> str:
    return "" if error is None else f"centre {error['centre']:.2f}, at most {error['worst']:.2f}"


WHITE = {
    "stars": "the typical star",
    "catalogue": "stars of the catalogue",
    "given": "gains that were given",
    "none": "nothing: left as it was",
}


def _white_table(told: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the gains with their errors, and what a catalogue said."""
    if not told:
        return []
    caption = f"White by {WHITE[told['how']]}"
    found = told.get("catalogue")
    if found is not None:
        low, high = found["b_v_range"]
        caption += (
            f": B - V = {found['white_b_v']:g} is white; {found['matched']} of {found['stars_in_frame']} stars in the "
            f"frame matched, {_figure(found['rms_px'])} px rms after a shift of {found['shift_px'][0]:.1f}, "
            f"{found['shift_px'][1]:.1f} px; {told['stars']} used, B - V {low:.2f} to {high:.2f}"
        )
    elif told["stars"]:
        caption += f": {told['stars']} stars"
    columns = ("plane", "gain", "uncertain by")
    rows: list[tuple[str, ...]] = [
        (plane, _figure(gain), _figure(told["errors"][plane])) for plane, gain in told["gains"].items()
    ]
    if found is None:
        return [_table(caption, columns, rows)]
    # the white plane has no slope: it is what the others are held against
    rows = [(*row, _figure(found["slopes"].get(row[0]))) for row in rows]
    return [_table(caption, (*columns, "ln(gain) a mag of B - V"), rows)]


def _moon_table(record: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return the fitted slopes beside the predicted ones, or nothing where date, site or coordinates are unknown."""
    rows = [
        (
            f"{name}.{plane}",
            _figure(moon["fitted_percent"]),
            f"{moon['fitted_deg']:.0f}",
            _figure(moon["predicted_percent"]),
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


def _worth_table(record: Mapping[str, Any]) -> list[dict[str, Any]]:
    """Return what the lines stand for as exposure of colour, or nothing where none came into a colour plane."""
    taken = record["taken"].get("rgb", {})
    rows = [(line, worth_words(entry, line, taken)) for line, entry in record["worth"].items()]
    caption = "Was it worth it: exposure of colour for the same signal-to-noise of faint line light, under the same sky"
    return [_table(caption, ("line", "stands for"), rows)] if rows else []


def _signal_table(work: Work, record: Mapping[str, Any]) -> list[dict[str, Any]]:
    rows = [
        (name, _figure(signal), *(_figure(ratio) for ratio in ratios))
        for name, signal, ratios in signal_rows(work, record)
    ]
    caption = (
        "Signal to noise: the light that a tenth of the objects' area exceeds, stars left out (of a line, of the area "
        "where it shines), over the noise of block means before resampling"
    )
    heads = ("plane", "signal", "S/N 1 px", "4 px", "16 px", "64 px")
    return [_table(caption, heads, rows)] if rows else []


def _table(caption: str, heads: tuple[str, ...], rows: list[Any]) -> dict[str, Any]:
    return {"caption": caption, "heads": heads, "rows": rows}


def _figure(value: Any) -> str:
    return "-" if value is None or value != value else f"{value:.4g}"
