"""What the steps begin with, of masters in memory: fractions of full scale, a recipe, and a target without files."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any, TypeAlias

import numpy as np

from blend.base.arrays import plain_array, refusal
from blend.base.errors import FaultList, RecipeError
from blend.base.master import Master
from blend.base.registry import suggestion
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
from blend.recipe.mastertable import CALIBRATION
from blend.recipe.model import load_recipe, resolved
from blend.recipe.state import Source, Work, frozen
from blend.recipe.steps.calibrate import measured
from blend.recipe.steps.holes import flag_holes
from blend.recipe.steps.register import register
from blend.recipe.tables import Recipe
from blend.recipe.target import Target, load_target
from blend.recipe.toml import to_toml

Masters: TypeAlias = "Work | Mapping[str, Any] | Any"
"""What a step takes: the state that another returned; or masters by name, ``rgb`` and the lines; or one master. Each is
a `Master`, an array of (planes, rows, columns) or (rows, columns), or a ``CCDData``."""


def prepare(
    masters: Masters,
    *,
    recipe: Recipe | None = None,
    target: Target | Mapping[str, Any] | None = None,
    frames: Mapping[str, Mapping[str, Any]] | None = None,
    catalogue: Any = None,
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
    catalogue : (n, 3), optional
        Right ascension and declination of stars, degrees ICRS, and their B - V, for ``white="b_v=0.65"``.
    aligned : bool
        The masters are calibrated and lie on one grid.

    Raises
    ------
    ArrayError
        An array that `blend.base.arrays.plain_array` refuses, or floats above 1.5 without a unit.
    InputError
        A master is empty of data, stretched already, or a mosaic.
    RecipeError
        Words for a master that is not given, or one that the target does not name.

    Examples
    --------
    >>> red = np.random.default_rng(1).normal(0.1, 0.01, (3, 64, 64)).astype(np.float32)
    >>> prepare({"rgb": red}).sources["rgb"].lights
    (<Master red, green, blue, 64 x 64 pixels, linear, full scale 1>,)
    """
    extras = {"recipe": recipe, "target": target, "frames": frames, "catalogue": catalogue}
    if isinstance(masters, Work):
        late = [name for name, value in extras.items() if value is not None]
        if late:
            raise RecipeError(
                ", ".join(late), found="given late: the masters are prepared", advice="call blend.prepare"
            )
        return masters
    given = _by_name(masters)
    domains = {name: value.domain for name, value in given.items() if isinstance(value, Master)}
    frames = frames or {}
    if not isinstance(target, Target):
        _refuse_strangers("target", target or {}, {"rgb", *given})
        target = _target_of(given, target or {}, domains)
    elif set(given) != set(target.masters):
        _refuse_strangers("masters", given, target.masters)
        _refuse_strangers("target", target.masters, given)
    _refuse_strangers("frames", frames, given)
    for name, kinds in frames.items():
        _refuse_strangers(f"frames.{name}", kinds, CALIBRATION)
    sources = {name: _source(name, value, target, frames.get(name, {})) for name, value in given.items()}
    lights = [light for source in sources.values() for light in source.lights if light.facts.unit]
    divisor, assumed = shared_divisor(lights)
    work = Work(recipe=recipe or _plain_recipe(target), target=target)
    if catalogue is not None:
        work = work.with_(catalogue=np.array(plain_array(catalogue, where="catalogue"), dtype=np.float64))
    for name, source in sources.items():
        if assumed:
            work = work.warn(*guess_words(name, source.lights, divisor))
        sources[name], findings = _in_fractions(name, source, target, divisor, fresh=not aligned)
        work = work.warn(*findings)
    work = _checked(work.with_(sources=frozen(sources)))
    return _on_one_grid(work) if aligned else work


def with_settings(work: Work, settings: Mapping[str, Any]) -> Work:
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


def _refuse_strangers(where: str, names: Iterable[str], known: Iterable[str]) -> None:
    """Raise `RecipeError` for a name that is not known."""
    known = list(known)
    for name in names:
        if name not in known:
            found = f"there is no {name!r} here"
            expected = f"of: {', '.join(known)}"
            raise RecipeError(where, found=found, expected=expected, advice=suggestion(name, known))


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
    frames: dict[str, Any] = {
        kind: _scaled(frame, divisor) for kind in CALIBRATION if (frame := getattr(source, kind)) is not None
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
        asked = with_settings(work, {"register.transform": "none", "register.reference": "rgb"})
        with limit_threads(None):
            return register(asked).with_(recipe=work.recipe)
    return flag_holes(
        work.with_(sources={}, masters={name: source.lights[0] for name, source in sources.items()})
    )
