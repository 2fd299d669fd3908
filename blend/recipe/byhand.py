"""The numbered steps of a recipe as functions of a script, each alone or one after the other.

All of them take masters by name, or what the step before returned, and return the state of the work, a `Work`:
``masters``, ``lines``, ``gains``, ``linear``, ``display``, ``warnings`` and more. Their keywords are the keys of the
step's table in a recipe. Pixels are float32, (planes, rows, columns). Nothing is printed.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np

from blend.base.errors import StepError
from blend.base.rowblocks import limit_threads
from blend.recipe.begin import Masters, prepare, with_settings
from blend.recipe.check import assumptions
from blend.recipe.pipeline import STEPS
from blend.recipe.state import Work
from blend.science.line import Scale
from blend.science.picture import FORMULAS, Formula
from blend.science.sky import SkyFit

_MAKES = {"linear-blends": "linear", "stretch": "display", "display-blends": "display", "finish": "display"}


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
        Keys of ``[register]``: reference, method, transform, canvas.

    Raises
    ------
    StepError
        No map is found between the masters.

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

    Raises
    ------
    StepError
        It is done already, or the masters are not aligned.

    Examples
    --------
    >>> rows, columns = np.mgrid[:96, :96]
    >>> tilted = 0.1 + 1e-4 * columns + np.random.default_rng(1).normal(0, 1e-3, (96, 96))
    >>> state = subtract_sky({"ha": tilted}, degree=1)
    >>> f"{np.abs(state.masters['ha'].pixels[0].mean(axis=0)).max():.4f}", state.masters["ha"].facts.sky["ha"] > 0.1
    ('0.0002', True)
    """
    work = _aligned(masters)
    if work.skies:
        raise _once("gradient", "masters whose sky is taken out", "blend.align")
    return _run("gradient", work, {"gradient": settings})


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
    work = _aligned(masters)
    if work.gains != (1.0, 1.0, 1.0):
        raise _once("balance", "masters that are balanced", "blend.emission")
    return _run("balance", work, {"balance": settings})


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
    work = with_settings(_aligned(masters), settings)
    absent = sorted({blend.master for blend in work.recipe.blend.values()} - set(work.lines))
    if absent:
        raise _too_early("blend", f"no light of {', '.join(absent)}", "blend.emission")
    shown = work.display is not None
    if {made.name for made in work.blended} & set(work.recipe.blends("display" if shown else "linear")):
        raise _once("blend", "a picture with these blends in it", "blend.stretch" if shown else "blend.white")
    work = work.warn(*assumptions(work.recipe, work.target))
    return _run("display-blends" if shown else "linear-blends", work, {})


def stretch(masters: Masters, *, noise_sigma: float | None = None, **settings: Any) -> Work:
    """Return the state with ``display``, sRGB code values (3, rows, columns) from 0 to 1, and its solved curve.

    Parameters
    ----------
    masters
        What `blend_lines` has returned; or ``rgb``, balanced, sky 0.
    noise_sigma : float, optional
        That of `finish`, where it is to follow: what noise it leaves limits how bright the picture may be.
    **settings
        Keys of ``[stretch]``: curve, sky_level, colour; a table for a line that is blended afterwards.

    Examples
    --------
    >>> sky = np.random.default_rng(1).normal(0, 1e-3, (3, 64, 64)).astype(np.float32)
    >>> f"{np.median(stretch({'rgb': sky}, sky_level=0.1).display):.1f}"
    '0.1'
    """
    work = _with_colour("stretch", _aligned(masters))
    if work.linear is None:
        work = work.with_(linear=work.rgb.pixels.copy())
    follows = {} if noise_sigma is None else {"noise_sigma": noise_sigma}
    return _run("stretch", work, {"stretch": settings, "finish": follows})


def finish(masters: Masters, **settings: Any) -> Work:
    """Return the state with the last touches in ``display``.

    Parameters
    ----------
    masters
        What `stretch` or `blend_lines` has returned; or ``rgb``, display values.
    **settings
        Keys of ``[finish]``: noise_sigma, saturation, chroma_reduction, green_limit and others.

    Raises
    ------
    StepError
        Nothing is stretched yet.

    Examples
    --------
    >>> finish({"rgb": np.full((3, 64, 64), 0.5)}, saturation=1.2).display.shape
    (3, 64, 64)
    """
    shown = None if isinstance(masters, Work) else {"rgb": {"domain": "display"}}
    work = _with_colour("finish", prepare(masters, target=shown, aligned=True))
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
    work = with_settings(_aligned(masters) if aligned else prepare(masters), settings)
    if not aligned and not work.sources:
        raise StepError(step, found="masters that are on one grid already", advice="begin with blend.prepare")
    if step not in ("calibrate", "gradient"):
        _with_colour(step, work)
    change = next(entry.change for entry in STEPS if entry.name == step)
    with limit_threads(None):
        done = change(work)
    # what a step made is the caller's own, also where it changed nothing
    made = _MAKES.get(step, "masters")
    plane = getattr(done, made)
    kept = () if made == "masters" else (work.rgb.pixels, work.linear, work.display)
    if any(old is not None and np.may_share_memory(plane, old) for old in kept):
        done = done.with_(**{made: plane.copy()})
    return done


def _aligned(masters: Masters) -> Work:
    work = prepare(masters, aligned=True)
    if not work.masters:
        raise _too_early("masters", "masters that are not on one grid", "blend.align")
    return work


def _with_colour(step: str, work: Work) -> Work:
    if "rgb" not in {**work.sources, **work.masters}:
        raise StepError(
            step, found="no master called rgb", expected="a colour master", advice='give {"rgb": ...}'
        )
    return work


def _once(where: str, found: str, call: str) -> StepError:
    return StepError(
        where, found=found, expected="every step once", advice=f"go on from what {call} returned"
    )


def _too_early(where: str, found: str, call: str) -> StepError:
    return StepError(
        where, found=found, expected="the steps in the order of a recipe", advice=f"call {call} before"
    )
