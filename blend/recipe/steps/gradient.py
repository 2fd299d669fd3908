"""Take the sky, tilted by moonlight, out of every plane."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import StepError
from blend.base.master import Master
from blend.base.rowblocks import map_together
from blend.recipe.state import SkyView, Work, frozen
from blend.recipe.steps.doubts import doubt_trails
from blend.recipe.steps.flatwords import Bowl, judge_bowls
from blend.recipe.steps.skyfacts import MoonFacts, line_nm_of, moon_facts
from blend.recipe.steps.skywords import (
    TOO_UNSURE_SIGMA,
    UNEVEN_SIGMA,
    PlaneSky,
    glow_warnings,
    master_warnings,
    plane_warnings,
    sky_entry,
)
from blend.recipe.tables import Gradient, RegionTable
from blend.science.sky import (
    LineGuide,
    Region,
    SkyFit,
    bin_light,
    compare_slope,
    divide_flat_fault,
    find_corner_glow,
    find_flat_fault,
    fit_sky,
    fit_spline,
    guide_by_line,
    largest_deviation,
    object_mask,
    region_mask,
    shape_towards,
    skies_of_one_target,
    sky_uncertainty,
    slope_of_blocks,
    subtract_sky,
)

VIEW_PX = 360
"""Long edge of the small pictures kept for the report."""

Mask = NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class _Plane:
    """One plane on its way: what it is called, what holds for it, and where it may be looked at.

    ``masked`` is True on objects, ``closed`` only where nothing may be looked at, whatever shines there.
    """

    name: str
    plane: str
    settings: Gradient
    masked: Mask
    closed: Mask
    only: Mask | None
    shape_terms: NDArray[np.float64] | None
    predicted: NDArray[np.float64] | None
    guide: LineGuide | None
    leads: bool

    @property
    def where(self) -> str:
        return f"gradient.{self.name}.{self.plane}"


def subtract_gradients(work: Work) -> Work:
    """Return the work with the sky of every plane at 0, what was taken out told, and the object mask kept."""
    invalid = work.invalid()
    linear = [master for master in work.masters.values() if master.domain == "linear"]
    objects = object_mask(
        [plane for master in linear for plane in master.pixels],
        invalid=invalid,
        least_noise=[_hidden_noise(master, plane) for master in linear for plane in master.planes],
    )
    lead = _leading_line(work)
    guides: dict[str, LineGuide] = {}
    masters, gathered = dict(work.masters), {}
    for name in work.masters:
        settings = work.recipe.gradient.for_master(name)
        if settings.model != "none":
            gathered[name] = _planes(work, name, settings, objects | invalid, invalid, lead, guides)
    fitted = {name: (gathered[name], *each) for name, each in _fits(work, gathered).items()}
    # No sky is taken off before all are known: skies are judged by the other masters, too.
    for name, (planes, fits, bowls) in fitted.items():
        masters[name], done = _flatten(
            work.masters[name], planes, fits, bowls, alone=work.alone and not guides
        )
        work = _tell(work, name, planes, done)
        views = {
            plane: (entry.view.after, entry.view.size, entry.view.noise) for plane, entry in done.items()
        }
        work = doubt_trails(work, name, masters[name], views)
    return work.with_(masters=frozen(masters), objects=objects)


def _leading_line(work: Work) -> str | None:
    """Return the line that tells where emission is: ha, or the first of the target."""
    lines = [name for name in work.line_names if work.masters[name].domain == "linear"]
    return "ha" if "ha" in lines else next(iter(lines), None)


def _planes(
    work: Work,
    name: str,
    settings: Gradient,
    masked: Mask,
    invalid: Mask,
    lead: str | None,
    guides: dict[str, LineGuide],
) -> list[_Plane]:
    """Gather what holds for each plane of a master."""
    master = work.masters[name]
    closed, only = invalid, None
    if settings.object_boxes:
        boxes = _mask(settings.object_boxes, master)
        masked, closed = masked | boxes, closed | boxes
    if settings.sky_boxes:
        only = _mask(settings.sky_boxes, master)
        closed = closed | ~only
    guided = lead is not None and (settings.guide == "line" or settings.model == "moonlight")
    moon = moon_facts(master)
    planes = []
    for plane in master.planes:
        predicted = moon.shape(master, plane, line_nm_of(work.target, name))
        shape_terms = None
        if settings.model == "moonlight":
            shape_terms = _known_shape(settings, name, master, moon, predicted)
        if guided and lead is not None and lead not in guides:
            guides[lead] = _guide(work, lead, invalid)
        planes.append(
            _Plane(
                name=name,
                plane=plane,
                settings=settings,
                masked=masked,
                closed=closed,
                only=only,
                shape_terms=shape_terms,
                predicted=predicted,
                guide=guides[lead] if guided and lead is not None else None,
                leads=guided and name in work.line_names,
            )
        )
    return planes


def _guide(work: Work, lead: str, invalid: Mask) -> LineGuide:
    """Return the emission of the leading line, its sky fitted as the line's own settings say."""
    line = work.masters[lead]
    settings = work.recipe.gradient.for_master(lead)
    closed = invalid | _mask(settings.object_boxes, line) if settings.object_boxes else invalid
    shape_terms = None
    if settings.model == "moonlight":
        moon = moon_facts(line)
        predicted = moon.shape(line, line.planes[0], line_nm_of(work.target, lead))
        shape_terms = _known_shape(settings, lead, line, moon, predicted)
    return guide_by_line(
        line.pixels[0],
        masked=closed,
        shape_terms=shape_terms,
        degree=_line_degree(settings),
        where=f"gradient.{lead}",
    )


def _line_degree(settings: Gradient) -> int:
    # The least light of a nebula bends as the nebula does: more than a plane would follow it.
    return 1 if settings.degree == "auto" else min(settings.degree, 2)


def _known_shape(
    settings: Gradient,
    name: str,
    master: Master,
    moon: MoonFacts,
    predicted: NDArray[np.float64] | None,
) -> NDArray[np.float64]:
    if settings.brightens_towards_deg != "predict":
        return shape_towards(settings.brightens_towards_deg, master.shape)
    if predicted is not None:
        return predicted
    raise StepError(
        f"gradient.{name}",
        found=moon.why or "no sky can be predicted for its date, site and world coordinates",
        expected='date, site and world coordinates for model = "moonlight"',
        advice=f"state them in [masters.{name}.facts] or the header, or set gradient.brightens_towards_deg, "
        'or choose model = "polynomial" with guide = "line"',
    )


def _fits(
    work: Work, gathered: Mapping[str, list[_Plane]]
) -> dict[str, tuple[list[SkyFit], list[Bowl | None]]]:
    """Return the sky of each plane of the masters, and the bowl of a flat's fault that it may hide."""
    every = [
        (work.masters[name].pixels[index], what)
        for name, planes in gathered.items()
        for index, what in enumerate(planes)
    ]
    skies = iter(map_together(lambda each: _fit(*each), every))
    found = {}
    for name, planes in gathered.items():
        fits = _of_one_target(work.masters[name], planes, [next(skies) for _ in planes])
        faults = [
            None if _unsure(what, fit) else find_flat_fault(fit)
            for what, fit in zip(planes, fits, strict=True)
        ]
        found[name] = (fits, judge_bowls(work, name, faults))
    return found


def _flatten(
    master: Master, planes: list[_Plane], fits: list[SkyFit], bowls: list[Bowl | None], *, alone: bool
) -> tuple[Master, dict[str, PlaneSky]]:
    """Return a master without its sky, in its own memory where it is ``alone``, and what was found in each plane."""
    pixels = master.writable() if alone else np.empty_like(master.pixels)

    def flatten(index: int) -> PlaneSky:
        noise = _noise_for_words(master, planes[index].plane)
        found = (fits[index], bowls[index], noise)
        return _one_plane(master.pixels[index], planes[index], found, out=pixels[index])

    each = map_together(flatten, range(len(planes)))
    done = {what.plane: entry for what, entry in zip(planes, each, strict=True)}
    sky = {plane: entry.fit.level for plane, entry in done.items()}
    return master.with_(pixels=pixels, facts=replace(master.facts, sky=frozen(sky))), done


def _of_one_target(master: Master, planes: list[_Plane], fits: list[SkyFit]) -> list[SkyFit]:
    """Return the skies told together where a target's outskirts leave one of them open: else each gets its own tint."""
    noise = [_noise_for_words(master, what.plane) for what in planes]
    beside = [fit.halo is not None and fit.name == "polynomial" and fit.line_factor is None for fit in fits]
    sure = [
        sky_uncertainty(fit.even) <= TOO_UNSURE_SIGMA * sigma for fit, sigma in zip(fits, noise, strict=True)
    ]
    return fits if len(fits) == 1 or not all(beside) or all(sure) else skies_of_one_target(fits)


def _hidden_noise(master: Master, plane: str) -> float:
    """Return what noise a pixel has at least where means over 4 px do not show it, after smoothing; else 0."""
    # what large areas show is right to a third (`plane.shared_noise.broad_noise`), taken for a half here
    surely = master.facts.broad_noise.get(plane, 0.0) / 1.5
    return surely if 4.0 * master.facts.noise.get(plane, {}).get(4, float("nan")) < surely else 0.0


def _noise_for_words(master: Master, plane: str) -> float:
    """Return the noise of a pixel that statements about a slope are held against: as large areas show it."""
    at_one = master.facts.noise.get(plane, {}).get(1, float("nan"))
    return max(at_one, master.facts.broad_noise.get(plane, at_one))


def _unsure(what: _Plane, fit: SkyFit) -> bool:
    # Under the least light of a line lies no sky that could tell a bowl from a nebula's edge.
    return what.leads or fit.sky_share == 0.0


def _one_plane(
    plane: NDArray[np.float32],
    what: _Plane,
    found: tuple[SkyFit, Bowl | None, float],
    *,
    out: NDArray[np.float32],
) -> PlaneSky:
    """Fill ``out`` with the plane without its sky, and return what was found: sky, bowl, noise."""
    fit, bowl, noise = found
    light = plane
    if bowl is not None and bowl.corrected:
        light = divide_flat_fault(plane, bowl.fault)
        fit = _fit(light, what)
    size = max(1, -(-max(plane.shape) // VIEW_PX))
    before = bin_light(plane, size=size)
    model = fit.at(_bin_centres(before.shape, size))[0].reshape(before.shape)
    after = (bin_light(light, size=size) if light is not plane else before) - model
    view = SkyView(before.astype(np.float32), after.astype(np.float32), size, noise)
    check = None if what.predicted is None or what.leads else compare_slope(fit, what.predicted)
    glow = None if _unsure(what, fit) else find_corner_glow(fit)
    uneven = None if _unsure(what, fit) else largest_deviation(fit)
    bend = None
    if (
        uneven is not None
        and noise > 0.0
        and uneven > UNEVEN_SIGMA * noise
        and what.settings.model == "polynomial"
    ):
        bend = largest_deviation(
            _fit(light, replace(what, settings=what.settings.model_copy(update={"model": "spline"})))
        )
    left = None if _unsure(what, fit) else slope_of_blocks(fit)
    subtract_sky(light, fit, out=out)  # which may be the plane's own memory
    return PlaneSky(fit, bowl, glow, check, view, left, uneven, bend)


def _fit(plane: NDArray[np.float32], what: _Plane) -> SkyFit:
    settings = what.settings
    if settings.model == "spline":
        return fit_spline(plane, masked=what.masked, sky_only=what.only, where=what.where)
    if what.leads:
        return guide_by_line(
            plane,
            masked=what.closed,
            shape_terms=what.shape_terms,
            degree=_line_degree(settings),
            where=what.where,
        ).fit
    return fit_sky(
        plane,
        degree=settings.degree,
        shape_terms=what.shape_terms,
        guide=what.guide,
        masked=what.masked,
        sky_only=what.only,
        closed=what.closed,
        where=what.where,
    )


def _bin_centres(shape: tuple[int, ...], size: int) -> NDArray[np.float64]:
    y, x = np.mgrid[: shape[0], : shape[1]] * float(size) + 0.5 * (size - 1)
    return np.stack([x.ravel(), y.ravel()], axis=1)


def _mask(boxes: tuple[RegionTable, ...], master: Master) -> Mask:
    return region_mask([Region(**box.model_dump()) for box in boxes], master.shape)


def _tell(work: Work, name: str, planes: list[_Plane], done: dict[str, PlaneSky]) -> Work:
    entries = {}
    upside_down = work.masters[name].facts.rows == "bottom-up"
    for what in planes:
        entry = done[what.plane]
        entries[what.plane] = sky_entry(entry, upside_down)
        work = work.warn(*plane_warnings(f"{name}.{what.plane}", entry))
    work = work.warn(
        *master_warnings(name, planes[0].settings, done), *glow_warnings(name, done, upside_down)
    )
    work = work.tell("gradient", name, entries)
    work = work.add(
        "masters", name, {"planes": {plane: {"sky": entry.fit.level} for plane, entry in done.items()}}
    )
    return work.with_(
        skies=frozen({**work.skies, name: {plane: entry.fit for plane, entry in done.items()}}),
        sky_views=frozen({**work.sky_views, name: {plane: entry.view for plane, entry in done.items()}}),
    )
