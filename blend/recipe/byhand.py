"""The numbered steps of a recipe as functions of a script, each alone or one after the other.

All of them take masters by name, or what the step before returned, and return the state of the work, a `Work`:
``masters``, ``lines``, ``gains``, ``linear``, ``display``, ``warnings`` and more. Their keywords are the keys of the
step's table in a recipe. Pixels are float32, (planes, rows, columns). Nothing is printed.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np

from blend.base.arrays import refusal
from blend.base.errors import FaultList, StepError
from blend.base.master import Master
from blend.base.rowblocks import limit_threads
from blend.recipe.check import check_together
from blend.recipe.lights import (
    FLOAT_IN_FRACTIONS,
    brightest,
    guess_words,
    in_fractions,
    judged,
    plane_of,
    shared_divisor,
)
from blend.recipe.model import load_recipe, resolved, to_toml
from blend.recipe.pipeline import STEPS
from blend.recipe.state import Source, Work, frozen
from blend.recipe.steps.calibrate import measured
from blend.recipe.steps.holes import flag_holes
from blend.recipe.tables import Recipe
from blend.recipe.target import Target, load_target
from blend.science.line import Scale
from blend.science.picture import FORMULAS, Formula
from blend.science.sky import SkyFit

_MAKES = {"linear-blends": "linear", "stretch": "display", "display-blends": "display", "finish": "display"}

Masters: TypeAlias = "Work | Mapping[str, Any] | Any"
"""What a step takes: the state that another returned; or masters by name, ``rgb`` and the lines; or one master. Each is
a `Master`, an array of (planes, rows, columns) or (rows, columns), or a ``CCDData``."""


def prepare(
    masters: Masters,
    *,
    recipe: Recipe | None = None,
    target: Target | Mapping[str, Any] | None = None,
    frames: Mapping[str, Mapping[str, Any]] | None = None,
    aligned: bool = False,
) -> Work:
    """Return the state before the first step: masters in fractions of full scale, and refused where none can be used.

    Parameters
    ----------
    masters : mapping of str to master
        By name: ``rgb``, and the lines. A `Source` holds one light a plane, or calibration frames too. Of arrays those
        of floats are fractions of full scale.
    recipe : Recipe, optional
        Of `load_recipe`; without, every setting has its default, and nothing is blended.
    target : Target or mapping, optional
        Of `load_target`; or the keys of ``[masters.NAME]`` by name: ``{"ha": {"width_nm": 7}}``.
    frames : mapping, optional
        Calibration stacks by master and kind: ``{"ha": {"dark": dark, "flat": flat}}``, also bias and flat_dark.
    aligned : bool
        The masters lie on one grid, calibrated: `align` is not asked for, nor is a line's sky needed.

    Raises
    ------
    ArrayError
        An array that `blend.base.arrays.plain_array` refuses, or floats above 1.5 without a unit.
    InputError
        A master is empty of data, stretched already, or a mosaic.

    Examples
    --------
    >>> red = np.random.default_rng(1).normal(0.1, 0.01, (3, 64, 64)).astype(np.float32)
    >>> prepare({"rgb": red}).sources["rgb"].lights
    (<Master red, green, blue, 64 x 64 pixels, linear, full scale 1>,)
    """
    if isinstance(masters, Work):
        return masters
    given = _by_name(masters)
    domains = {name: value.domain for name, value in given.items() if isinstance(value, Master)}
    if not isinstance(target, Target):
        target = _target_of(given, target or {}, domains)
    sources = {
        name: _source(name, value, target, (frames or {}).get(name, {})) for name, value in given.items()
    }
    lights = [light for source in sources.values() for light in source.lights if light.facts.unit]
    divisor, assumed = shared_divisor(lights)
    work = Work(recipe=recipe or _plain_recipe(target), target=target)
    for name, source in sources.items():
        if assumed:
            work = work.warn(*guess_words(name, source.lights, divisor))
        sources[name], findings = _in_fractions(name, source, target, divisor, fresh=not aligned)
        work = work.warn(*findings)
    work = _checked(work.with_(sources=frozen(sources)))
    return _on_one_grid(work) if aligned else work


def calibrate(
    masters: Masters, *, frames: Mapping[str, Mapping[str, Any]] | None = None, **settings: Any
) -> Work:
    """Return masters with the camera taken out, bad pixels filled and flagged, noise and saturation known.

    Parameters
    ----------
    masters
        See `prepare`.
    frames : mapping, optional
        Calibration stacks by master and kind: ``{"ha": {"dark": dark, "flat": flat}}``.
    **settings
        Keys of ``[calibrate]``; a table for one master: ``ha={"hot_sigma": 6}``.

    Examples
    --------
    >>> sky = np.random.default_rng(1).normal(0.1, 0.01, (64, 64)).astype(np.float32)
    >>> sky[5, 5] = 1
    >>> state = calibrate({"ha": sky}, frames={"ha": {"dark": np.where(sky > 0.5, 0.9, 0.1 * sky)}})
    >>> light = state.sources["ha"].lights[0]
    >>> bool(light.pixels[0, 5, 5] < 0.2), int(light.flags[5, 5]), f"{light.facts.noise['ha'][1]:.2f}"
    (True, 2, '0.01')
    """
    work = prepare(masters, frames=frames)
    return _run("calibrate", work, {"calibrate": settings}, aligned=False)


def align(masters: Masters, **settings: Any) -> Work:
    """Return masters on the grid of the reference, one resampling each, their stars found.

    ``alignments`` holds 3x3 matrices, pixel (x, y) of a light to the reference's; ``fwhm_px`` star widths there.

    Parameters
    ----------
    masters
        See `prepare`.
    **settings
        Keys of ``[register]``: reference, transform, canvas.

    Raises
    ------
    StepError
        No map is found between the stars.

    Examples
    --------
    >>> from blend.science.simulated import SceneOptions, simulate_night
    >>> night = simulate_night(SceneOptions(rows=200, columns=300, seed=2))
    >>> state = align({"rgb": night.rgb.light, "ha": night.ha.light})
    >>> state.masters["ha"].shape, state.alignments["ha", 0].matrix.shape
    ((200, 300), (3, 3))
    """
    return _run("register", masters, {"register": settings}, aligned=False)


def subtract_sky(masters: Masters, **settings: Any) -> Work:
    """Return masters whose sky is 0; ``skies`` holds what was fitted, by master and plane.

    Parameters
    ----------
    masters
        On one grid. See `prepare`.
    **settings
        Keys of ``[gradient]``; a table for one master: ``ha={"degree": 1}``.

    Examples
    --------
    >>> rows, columns = np.mgrid[:96, :96]
    >>> tilted = 0.1 + 1e-4 * columns + np.random.default_rng(1).normal(0, 1e-3, (96, 96))
    >>> state = subtract_sky({"ha": tilted}, degree=1)
    >>> f"{np.abs(state.masters['ha'].pixels[0].mean(axis=0)).max():.4f}", state.masters["ha"].facts.sky["ha"] > 0.1
    ('0.0002', True)
    """
    return _run("gradient", masters, {"gradient": settings})


def fit_sky(masters: Masters, **settings: Any) -> Mapping[str, Mapping[str, SkyFit]]:
    """Return what `subtract_sky` would take out, by master and plane: ``level``; ``at(points)`` of (n, 2) x, y.

    Examples
    --------
    >>> sky = 0.1 + np.random.default_rng(1).normal(0, 1e-3, (96, 96))
    >>> fit = fit_sky({"ha": sky}, degree=0)["ha"]["ha"]
    >>> fit.at(np.array([[10.0, 20.0]]))[0].round(2), round(fit.level, 2)
    (array([0.1]), 0.1)
    """
    return subtract_sky(masters, **settings).skies


def emission(masters: Masters, **tables: Any) -> Work:
    """Return the lines parted from their continuum, in ``lines``, with the stars and their mask.

    ``lines["ha"].emission`` is what blends use, in counts of the broad plane; ``.measured`` its light, weight and
    standard error; ``.scale`` line over broad plane of the stars.

    Parameters
    ----------
    masters
        On one grid, sky 0, ``rgb`` among them. See `prepare`, whose ``target`` says how wide the filters are.
    **tables
        ``[continuum.NAME]`` of a recipe by the line's name: ``ha={"from": "red", "scale": "stars"}``.

    Raises
    ------
    StepError
        The stars tell no scale.

    Examples
    --------
    >>> sky = np.random.default_rng(1).normal(0, 1e-3, (4, 128, 128)).astype(np.float32)
    >>> state = emission({"rgb": sky[:3], "ha": sky[3]}, ha={"scale": 0.2})
    >>> state.lines["ha"].emission.shape, state.lines["ha"].scale.value
    ((128, 128), 0.2)
    """
    return _run("continuum", masters, {"continuum": tables})


def scale_continuum(masters: Masters, **tables: Any) -> dict[str, Scale]:
    """Return by line what `emission` scales the broad plane with: ``value``, its ``error``, and the number of stars.

    Examples
    --------
    >>> sky = np.random.default_rng(1).normal(0, 1e-3, (4, 128, 128)).astype(np.float32)
    >>> scale_continuum({"rgb": sky[:3], "ha": sky[3]}, ha={"scale": 0.2})["ha"].value
    0.2
    """
    lines = emission(masters, **tables).lines
    return {name: line.scale for name, line in lines.items() if line.scale is not None}


def white(masters: Masters, **settings: Any) -> Work:
    """Return masters whose average star is white; ``gains`` of red, green and blue, which lines share.

    Parameters
    ----------
    masters
        On one grid, sky 0. See `prepare`.
    **settings
        Keys of ``[balance]``: ``white="stars"``, or three gains.

    Raises
    ------
    StepError
        Too few stars.

    Examples
    --------
    >>> sky = np.random.default_rng(1).normal(0, 1e-3, (3, 64, 64)).astype(np.float32)
    >>> white({"rgb": sky}, white=(2.0, 1.0, 1.5)).gains
    (2.0, 1.0, 1.5)
    """
    return _run("balance", masters, {"balance": settings})


def blend_lines(
    masters: Masters, blends: Mapping[str, Mapping[str, Any]] | None = None, *, protect: float | None = None
) -> Work:
    """Return the state with lines blended in: before `stretch` by linear formulas, after it by display ones.

    Parameters
    ----------
    masters
        What `white` has returned, or `stretch`.
    blends : mapping, optional
        All blends of the picture, as ``[blend.NAME]`` of a recipe: ``{"red": {"into": "red", "from": "ha.emission",
        "formula": "emission-add", "amount": 1.0}}``; ``formula`` may be one of `define_formula`. Those of the other
        domain wait for their turn: call this again after `stretch`, without words.
    protect : float, optional
        How far stars are left alone, 0 to 1.

    Raises
    ------
    StepError
        A line has not been parted from its continuum, or a blend would destroy the picture.

    Examples
    --------
    >>> sky = np.random.default_rng(1).normal(0, 1e-3, (4, 128, 128)).astype(np.float32)
    >>> state = white(emission({"rgb": sky[:3], "ha": sky[3]}, ha={"scale": 0.2}), white="none")
    >>> add = {"into": "red", "from": "ha.emission", "formula": "emission-add"}
    >>> state = blend_lines(state, {"red": add})
    >>> state.linear.shape, [blend.name for blend in state.blended]
    ((3, 128, 128), ['red'])
    """
    settings: dict[str, Any] = {} if protect is None else {"protect.stars": protect}
    for label, table in (blends or {}).items():
        formula = table.get("formula")
        if isinstance(formula, Formula):
            table = {**table, "formula": formula.name}
            if formula.name not in FORMULAS:
                own = ("domain", "equation", "neutral", "params", "about")
                settings[f"formulas.{formula.name}"] = {key: getattr(formula, key) for key in own}
        settings[f"blend.{label}"] = dict(table)
    work = _with_settings(_aligned(masters), settings)
    absent = sorted({blend.master for blend in work.recipe.blend.values()} - set(work.lines))
    if absent:
        raise _too_early("blend", f"no light of {', '.join(absent)}", "blend.emission")
    return _run("linear-blends" if work.display is None else "display-blends", work, {})


def stretch(masters: Masters, **settings: Any) -> Work:
    """Return the state with ``display``, sRGB code values (3, rows, columns) from 0 to 1, and its solved curve.

    Parameters
    ----------
    masters
        What `blend_lines` has returned; or ``rgb``, balanced, sky 0.
    **settings
        Keys of ``[stretch]``: curve, sky_level, colour; a table for a line that is blended afterwards.

    Examples
    --------
    >>> sky = np.random.default_rng(1).normal(0, 1e-3, (3, 64, 64)).astype(np.float32)
    >>> f"{np.median(stretch({'rgb': sky}, sky_level=0.1).display):.1f}"
    '0.1'
    """
    work = _aligned(masters)
    if work.linear is None:
        work = work.with_(linear=work.rgb.pixels.copy())
    return _run("stretch", work, {"stretch": settings})


def finish(masters: Masters, **settings: Any) -> Work:
    """Return the state with the last touches in ``display``.

    Parameters
    ----------
    masters
        What `stretch` or `blend_lines` has returned; or ``rgb``, display values.
    **settings
        Keys of ``[finish]``: saturation, chroma_reduction, green_limit.

    Examples
    --------
    >>> finish({"rgb": np.full((3, 64, 64), 0.5)}, saturation=1.2).display.shape
    (3, 64, 64)
    """
    shown = {"rgb": {"domain": "display"}}
    work = _aligned(prepare(masters, target=shown, aligned=True))
    if work.display is None and work.rgb.domain == "display":
        work = work.with_(display=work.rgb.pixels.copy())
    if work.display is None:
        raise _too_early("finish", "linear light", "blend.stretch")
    return _run("finish", work, {"finish": settings})


def _run(
    step: str, masters: Masters, tables: Mapping[str, Mapping[str, Any]], *, aligned: bool = True
) -> Work:
    """Return the work after a step of the pipeline, with the settings of its table changed."""
    settings = {f"{table}.{key}": value for table, keys in tables.items() for key, value in keys.items()}
    work = _with_settings(_aligned(masters) if aligned else prepare(masters), settings)
    if not aligned and not work.sources:
        raise StepError(step, found="masters that are on one grid already", advice="begin with blend.prepare")
    change = next(entry.change for entry in STEPS if entry.name == step)
    with limit_threads(None):
        done = change(work)
    # what a step made is the caller's own, also where it changed nothing
    made = _MAKES.get(step, "masters")
    plane, kept = (
        getattr(done, made),
        (work.rgb.pixels, work.linear, work.display) if made != "masters" else (),
    )
    if any(old is not None and np.may_share_memory(plane, old) for old in kept):
        done = done.with_(**{made: plane.copy()})
    return done


def _aligned(masters: Masters) -> Work:
    work = prepare(masters, aligned=True)
    if not work.masters:
        raise _too_early("masters", "masters that are not on one grid", "blend.align")
    return work


def _too_early(where: str, found: str, call: str) -> StepError:
    return StepError(
        where, found=found, expected="the steps in the order of a recipe", advice=f"call {call} before"
    )


def _with_settings(work: Work, settings: Mapping[str, Any]) -> Work:
    """Return the work with keys of its recipe changed, every fault of them told at once."""
    if not settings:
        return work
    recipe = load_recipe(to_toml(resolved(work.recipe)), where="recipe", settings=settings)
    return _checked(work.with_(recipe=recipe))


def _checked(work: Work) -> Work:
    faults = check_together(work.recipe, work.target)
    if faults:
        raise FaultList(faults)
    return work


def _by_name(masters: Any) -> dict[str, Any]:
    if isinstance(masters, Mapping):
        return dict(masters)
    shape = masters.pixels.shape if isinstance(masters, Master) else np.shape(masters)
    return {"rgb" if len(shape) == 3 and shape[0] == 3 else "line": masters}


def _target_of(names: Mapping[str, Any], keys: Mapping[str, Any], domains: Mapping[str, str]) -> Target:
    """Return a target whose lights are no files."""
    tables = {
        name: {"light": name, "domain": domains.get(name, "linear"), **keys.get(name, {})}
        for name in dict.fromkeys(["rgb", *names])
    }
    return load_target(to_toml({"name": "by hand", "masters": tables}), where="target", folder=Path())


def _plain_recipe(target: Target) -> Recipe:
    """Return a recipe of defaults, but for what stretched masters cannot have."""
    shown = [name for name, files in target.masters.items() if files.domain == "display"]
    settings = {f"gradient.{name}.model": "none" for name in shown}
    if "rgb" in shown:
        settings["balance.white"] = "none"
    return load_recipe("version = 1", where="recipe", settings=settings)


def _source(name: str, value: Any, target: Target, frames: Mapping[str, Any]) -> Source:
    """Return a master and its frames in their own units."""
    if isinstance(value, Source):
        return value
    files = target.masters[name]

    def master(array: Any, what: str) -> Master:
        if isinstance(array, Master):
            return plane_of(name, files, array)
        read = Master.from_ccddata if hasattr(array, "uncertainty") else Master.from_array
        found = read(array)
        if not found.facts.unit and brightest(found) > FLOAT_IN_FRACTIONS:
            raise refusal(
                what,
                f"values up to {brightest(found):.6g}, and no full scale",
                "use Master.from_array with facts=Facts(unit='adu', full_scale=...)",
            )
        return plane_of(name, files, found)

    light = master(value, name).with_facts(**files.facts.given())
    if name == "rgb" and len(light.planes) != 3:
        raise refusal(name, "one plane", "give red, green and blue: (3, rows, columns)")
    stacks: dict[str, Any] = {kind: master(frame, f"{name}.{kind}") for kind, frame in frames.items()}
    return Source(lights=(light,), **stacks)


def _in_fractions(
    name: str, source: Source, target: Target, divisor: float, *, fresh: bool
) -> tuple[Source, list[tuple[str, str]]]:
    """Return a source in fractions of full scale, its fresh lights judged, and what is to be said of them."""
    notes: list[tuple[str, str]] = []
    lights = []
    for light in source.lights:
        known = light.facts.saturation or light.facts.noise
        done = _scaled(light, divisor).with_(domain=target.masters[name].domain)
        if fresh and (light.facts.unit or not known):
            done, verdict = judged(done, target.masters[name], where=name)
            notes += [(finding.code, f"{name}: {finding.text}") for finding in verdict.findings]
        lights.append(done)
    kinds = ("dark", "flat", "bias", "flat_dark")
    frames: dict[str, Any] = {
        kind: _scaled(frame, divisor) for kind in kinds if (frame := getattr(source, kind)) is not None
    }
    return replace(source, lights=tuple(lights), **frames), notes


def _scaled(master: Master, divisor: float) -> Master:
    if master.facts.unit:
        return in_fractions(master, divisor)
    return master if master.facts.full_scale else master.with_facts(full_scale=1.0)


def _on_one_grid(work: Work) -> Work:
    """Return the work whose lights are masters on one grid as they stand, their noise known, and their stars."""
    sources = {
        name: replace(
            source, lights=tuple(light if light.facts.noise else measured(light) for light in source.lights)
        )
        for name, source in work.sources.items()
    }
    if "rgb" in sources:
        work = work.with_(sources=frozen(sources))
        asked = _with_settings(work, {"register.transform": "none", "register.reference": "rgb"})
        return _run("register", asked, {}, aligned=False).with_(recipe=work.recipe)
    return flag_holes(
        work.with_(sources={}, masters={name: source.lights[0] for name, source in sources.items()})
    )
