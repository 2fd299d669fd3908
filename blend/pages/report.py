"""The page that every run leaves: look first, judge, change, keep; what was done and how to do it again at the end."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from typing import Any
from urllib.parse import quote

import numpy as np
from numpy.typing import NDArray

from blend.pages.advice import Noise, advice, blend_noises
from blend.pages.closeups import Site, closeups, light_sites
from blend.pages.emissionfigures import emission_figures
from blend.pages.figures import colours_svg, histogram_svg, scale_svg
from blend.pages.fill_template import markup, template
from blend.pages.notes import notes_of, warnings_of
from blend.pages.pairs import Signal, residual_fits, signal_rows
from blend.pages.recipetext import recipe_lines
from blend.pages.skyfigures import sky_figures
from blend.pages.tables import tables
from blend.pages.tiles import tiles
from blend.pages.verdict import STATE_WORDS, run_state, verdict
from blend.pages.viewer import Frame, Picture, Pictures, fitted_url, viewer
from blend.recipe.auto_words import amount_words, auto_words
from blend.recipe.check import blend_heading
from blend.recipe.record_words import scale_words
from blend.recipe.state import Work
from blend.science.picture import display_luminance, luminance

TONE_BINS = 64
"""Of display values in the measured tone curve: each holds some 1,000 samples of a 24-megapixel picture."""


@dataclass(frozen=True, kw_only=True, eq=False)
class LightViews:
    """What the page tells of light whose pixels may be gone when it is drawn."""

    sites: list[Site]
    signals: list[Signal]
    noises: Mapping[str, Noise]
    blended: Picture | None = None  # (3, rows / 16, columns / 16); pixels of the linear light with its blends

    @classmethod
    def of(cls, work: Work, frame: Frame) -> LightViews:
        """Return them of balanced work."""
        signals = signal_rows(work, work.recorded)
        return cls(sites=light_sites(work, frame), signals=signals, noises=blend_noises(work))


def report_page(
    work: Work,
    record: Mapping[str, Any],
    pictures: Pictures,
    views: LightViews,
    *,
    command: str = "",
    drawn: Mapping[str, Any] | None = None,
    star_colours: NDArray[np.float64] | None = None,
    files: Iterable[str] = (),
) -> str:
    """Return the report as one self-contained HTML page.

    Parameters
    ----------
    work : Work
        The last state of the run.
    record : mapping
        The run's record.
    pictures : Pictures
    views : LightViews
    command : str
        What repeats the run.
    drawn : mapping, optional
        What of `DRAWN_AFTER` is drawn already, by the name of its step; the rest is drawn now.
    star_colours : (2, 3, n), optional
        Linear light of stars with lines and without.
    files : iterable of str
        The results beside the page, to be linked.

    Notes
    -----
    Text from files (names, titles, headers) is escaped; nothing is loaded from anywhere.
    """
    added, scale = added_map(pictures)
    tone = tone_curve(views.blended, work.display)
    sky_level = (record["stretch"].get("rgb") or {}).get("sky_level")
    done = dict(drawn or {})
    plots = {step: draw(work) for step, draw in DRAWN_AFTER.items() if step not in done} | done
    with_stars = star_colours is not None and star_colours.shape[-1] > 0
    state = run_state(record)
    page: str = template("report.html").render(
        title=record["recipe"].get("title") or work.target.name,
        lead=_lead(work, record),
        state=state,
        state_words=STATE_WORDS[state],
        viewer=viewer(pictures),
        tiles=tiles(record),
        warnings=warnings_of(record),
        notes=notes_of(record),
        advice=advice(work, record, command, noises=views.noises),
        sites=closeups(views.sites, pictures),
        added=fitted_url(added, most_bytes=300_000),
        added_scale=scale,
        fits=[(fit.name, markup(fit.svg), markup(fit.histogram), fit.text) for fit in plots["register"]],
        sky_figures=plots["gradient"],
        scale_plots=plots["continuum"][0],
        emission_figures=plots["continuum"][1],
        star_plot=markup(colours_svg(star_colours[1], star_colours[0])) if with_stars else "",  # type: ignore[index]
        histogram=markup(histogram_svg(pictures.delivered[:, ::3, ::3], sky_level, tone)),
        verdict=verdict(record),
        tables=tables(record, views.signals),
        formulas=_formulas(work, record),
        inputs=record["inputs"],
        recipe=recipe_lines(record["recipe"]),
        files=[(name, quote(name)) for name in files],
        versions=", ".join(f"{name} {number}" for name, number in dict(record["versions"]).items()),
        made=datetime.now(UTC).strftime("%Y-%m-%d %H:%M UTC"),
        command=command,
    )
    return page


def added_map(pictures: Pictures) -> tuple[Picture, float]:
    """Return a picture of what the blends added, and the difference that is shown at full brightness."""
    with_lines, without, _ = pictures.averaged()
    most = np.zeros(with_lines.shape[1:], dtype=np.float32)
    for own, before in zip(with_lines, without, strict=True):
        np.fmax(most, own - before, out=most)
    # Every third row and column are enough for a percentile.
    scale = max(float(np.percentile(most[::3, ::3], 99.9)), 1e-3)
    # One hue from black: brightness alone carries the number.
    shown = np.linspace(0.0, 1.0, 256)
    hue = np.stack([shown, 0.72 * shown**1.2, 0.45 * shown**1.6]).astype(np.float32)
    return hue.take((np.minimum(most, scale) * (255.0 / scale) + 0.5).astype(np.uint8), axis=1), scale


def tone_curve(
    blended: Picture | None, display: Picture | None
) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Return display luminance and the linear light that it shows, medians of one pixel in 256; None without light."""
    if blended is None or display is None:
        return None
    light, shown = luminance(blended), display_luminance(display[:, ::16, ::16])
    good = np.isfinite(light) & np.isfinite(shown)
    bins = np.clip((shown[good] * TONE_BINS).astype(int), 0, TONE_BINS - 1)
    found = []
    for number in np.unique(bins):
        value = float(np.median(light[good][bins == number]))
        if value > 0:
            found.append(((number + 0.5) / TONE_BINS, value))
    return (np.array(found)[:, 0], np.array(found)[:, 1]) if len(found) > 1 else None


def _lead(work: Work, record: Mapping[str, Any]) -> str:
    lines = ", ".join(work.line_names) or "no line"
    crop = record.get("crop") or {"w": work.rgb.shape[1], "h": work.rgb.shape[0]}
    taken = []
    for name, entry in record["taken"].items():
        hours = (entry.get("exposure_s") or 0.0) * (entry.get("frames") or 0) / 3600.0
        taken += [f"{'colour' if name == 'rgb' else name} {hours:.2f} h"] if hours else []
    date = str((record["taken"].get("rgb") or {}).get("date_obs") or "")[:10]
    size = f"{crop['w']} x {crop['h']} px"
    return "; ".join(filter(None, [f"{work.target.name}: colour with {lines}", size, ", ".join(taken), date]))


def _formulas(work: Work, record: Mapping[str, Any]) -> list[dict[str, Any]]:
    return [
        {
            "label": blend_heading(work.target, entry["from"], entry["into"]),
            "text": f"{label}: from {entry['from']} into {entry['into']} by {entry['formula']}, {amount_words(entry)}"
            + (f"; {auto_words(entry)}" if "auto" in entry else ""),
            "mathml": markup(work.recipe.formula(entry["formula"]).parsed.mathml()),
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
            caption = (
                f"{name}: scale {words}. Hollow marks were left out, H II regions among them; below, what each star "
                "leaves of the scale"
            )
            plots.append({"svg": markup(scale_svg(scale)), "caption": caption})
    return plots


DRAWN_AFTER: Mapping[str, Callable[[Work], Any]] = {
    "register": residual_fits,
    "gradient": sky_figures,
    "continuum": lambda work: (_scale_plots(work), emission_figures(work)),
}
"""Plots that stand once a step is done, so that they can be drawn beside the next ones."""
