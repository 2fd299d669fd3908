"""A night with known truth on its way through the steps of a recipe, and a measured value beside its bar."""

from __future__ import annotations

import tempfile
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from blend.app.demo.demo import write_night
from blend.app.run.load import load_sources, open_recipe, open_target
from blend.base.master import Flag
from blend.base.robust import MAD_TO_SIGMA, bin_mean
from blend.recipe.pipeline import PICTURE_STEPS, run_all, run_steps
from blend.recipe.state import Work, frozen
from blend.science.line.continuum import match_profiles
from blend.science.plane.smooth import blur_plane
from blend.science.simulated.night import Night, SceneOptions, simulate_night
from blend.science.stars.stars import FWHM_PER_SIGMA

Array = NDArray[np.float32]
Points = NDArray[np.float64]


@dataclass(frozen=True)
class Value:
    """One measured value beside its bar; ``low`` marks a bar that it must reach, not keep under."""

    what: str
    found: float
    bar: float
    unit: str = ""
    low: bool = False

    @property
    def held(self) -> bool:
        """Whether the bar is kept; a value that could not be measured keeps none. What is only told has none."""
        return not np.isfinite(self.bar) or bool(
            self.found >= self.bar if self.low else self.found <= self.bar
        )


@dataclass(frozen=True, eq=False)
class Draw:
    """A night on its way with one draw of noise: balanced, with linear blends, stretched."""

    balanced: Work
    linear: Work
    stretched: Work

    @property
    def gain(self) -> float:
        """What the balance made of a count of red."""
        return self.balanced.gains[0]

    @property
    def scale(self) -> float:
        """Of the line master's starlight, as it was found."""
        return float(self.balanced.recorded["continuum"]["ha"]["scale"])

    def whole_line(self, *, gain: float, scale: float, width_ratio: float, throughput: float) -> Array:
        """Return the emission before it is faded, its noise and all, in counts of a gain and of a continuum scale."""
        balanced = self.balanced
        widths, line = balanced.fwhm_px, balanced.lines["ha"].scaled * np.float32(self.scale / scale)
        _, red = match_profiles(
            line, balanced.rgb.pixels[0], fwhm_line=widths["ha"], fwhm_broad=widths["rgb"]
        )
        return (line - red) * np.float32(gain / self.gain * width_ratio / (throughput - width_ratio))


@dataclass(frozen=True, eq=False)
class Blended(Draw):
    """A night on its way, and finished; bare is finished without its lines.

    ``true`` is the true light, finished without noise, ``bare_true`` that without its lines, and ``bare_noisy`` the
    same with what the measured planes have besides light some way off. ``twin`` is the same night with other noise,
    where light leaves no place to tell noise by.
    """

    night: Night
    done: Work
    bare: Work
    true: Work
    bare_true: Work
    bare_noisy: Work
    twin: Draw | None

    @property
    def fwhm_px(self) -> float:
        """Star width of the colour master."""
        return self.balanced.fwhm_px["rgb"]

    @cached_property
    def whole(self) -> Array:
        """The emission before it is faded, in balanced counts, its noise and all; red matched to a wider line."""
        return self.line_of(self)

    def line_of(self, draw: Draw) -> Array:
        """Return the emission of a draw before it is faded, in the counts and by the continuum scale of this one."""
        return draw.whole_line(
            gain=self.gain,
            scale=self.scale,
            width_ratio=self.night.truth.width_ratio,
            throughput=self.night.options.throughput_ratio,
        )

    @property
    def empty_sky(self) -> NDArray[np.bool_]:
        """Where the true light is less than half a pixel's noise, and neither master is clipped or has no data."""
        truth, rgb = self.night.truth, self.balanced.rgb
        faint = (truth.continuum[0] + truth.line_in_red) * self.gain < 0.5 * rgb.facts.noise["red"][1]
        return np.asarray(faint & ~self.flagged(Flag.SATURATED | Flag.NO_DATA))

    @property
    def starless(self) -> NDArray[np.bool_]:
        """Where true starlight is less than half a pixel's noise, and neither master is clipped or has no data."""
        faint = self.night.truth.continuum[0] * self.gain < 0.5 * self.balanced.rgb.facts.noise["red"][1]
        return np.asarray(faint & ~self.flagged(Flag.SATURATED | Flag.NO_DATA))

    @property
    def nebula_only(self) -> NDArray[np.bool_]:
        """Where the line outshines starlight three times, and neither master is clipped or has no data."""
        truth = self.night.truth
        return np.asarray(
            (truth.line_in_red > 3.0 * truth.continuum[0]) & ~self.flagged(Flag.SATURATED | Flag.NO_DATA)
        )

    @property
    def taken(self) -> float:
        """Level of the line's light that was taken for its sky."""
        return float(np.nanmedian((self.true_line - self.whole)[self.nebula_only]))

    @property
    def taken_surface(self) -> Array:
        """The same as a plane over the frame: a line's sky is one, and may be tilted."""
        size = 20
        off = bin_mean(np.where(self.nebula_only, self.true_line - self.whole, np.nan), size)
        v, u = np.indices(self.true_line.shape, dtype=np.float32)
        terms = np.stack([np.ones_like(u), u / u.max() - 0.5, v / v.max() - 0.5])
        blocks = np.stack([bin_mean(term, size) for term in terms])
        used, answer = np.isfinite(off), np.zeros(3)
        for _ in range(6):
            answer = np.linalg.lstsq(blocks[:, used].T, off[used], rcond=None)[0]
            left = np.abs(off - np.tensordot(answer, blocks, 1))
            used = left < 3.0 * MAD_TO_SIGMA * np.nanmedian(left)
        return np.tensordot(answer, terms, 1).astype(np.float32)

    def flagged(self, flag: int) -> NDArray[np.bool_]:
        """Return where a flag is set in either master."""
        masters = (self.balanced.rgb, self.balanced.masters["ha"])
        return np.asarray((masters[0].flags | masters[1].flags) & flag != 0)

    @cached_property
    def true_line(self) -> Array:
        """True line light with the star width that the emission has, in balanced counts."""
        widths, gain = self.balanced.fwhm_px, np.float32(self.gain)
        if widths["ha"] < widths["rgb"] - 0.1:
            # The truth is drawn as wide as the colour master, and no blur makes it narrower: it is drawn again.
            options = replace(self.night.options, rgb_fwhm_px=widths["ha"])
            return simulate_night(options).truth.line_in_red * gain
        more = max(widths["ha"] ** 2 - widths["rgb"] ** 2, 0.0)
        line = self.night.truth.line_in_red * gain
        return blur_plane(line, np.sqrt(more) / FWHM_PER_SIGMA) if more > 0.05 else line


def blend_night(
    options: SceneOptions, *, recipe: str = "galaxy-moonlit", settings: tuple[str, ...] = ()
) -> Blended:
    """Draw a night, run a recipe on it in memory, and once more without its lines, and on the true light.

    ``settings`` are those of ``blend run --set``.
    """
    night = simulate_night(options)
    states = _run(night, recipe, settings)
    balanced = states["balance"]
    bare = balanced.with_(recipe=balanced.recipe.model_copy(update={"blend": {}}))
    bare_true = true_light(night, bare)
    works = (bare, true_light(night, balanced), bare_true, noise_from_elsewhere(bare_true, balanced))
    finished = (run_all(work, steps=PICTURE_STEPS) for work in works)
    twin = None
    if options.kind == "nebula":
        again = simulate_night(replace(options, noise_seed=options.camera_seed + 1))
        twin = Draw(*_three(_run(again, recipe, settings)))
    return Blended(*_three(states), night, states["finish"], *finished, twin)


def _three(states: dict[str, Work]) -> tuple[Work, Work, Work]:
    return states["balance"], states["linear-blends"], states["stretch"]


def _run(night: Night, recipe: str, settings: tuple[str, ...]) -> dict[str, Work]:
    """Return the state after every step of a recipe."""
    with tempfile.TemporaryDirectory() as folder:
        target = open_target(write_night(night, Path(folder)))
        chosen = open_recipe(recipe, settings=settings, target=target)
        loaded = load_sources(target)
        return dict(run_steps(Work(recipe=chosen, target=target, sources=loaded.sources)))


def true_light(night: Night, balanced: Work, *, line: bool = True) -> Work:
    """Return the balanced work with the true light in place of what was measured, its facts, noise and gains kept.

    Without ``line`` the light of the line is left out.

    Which star is white is the recipe's choice, and a field's typical star is not the scene's: no matter of blending.
    """
    gains = np.asarray(balanced.gains, dtype=np.float32)
    light = night.truth.continuum.copy()
    emission = night.truth.line_in_red * np.float32(gains[0] if line else 0.0)
    light *= gains[:, None, None]
    light[0] += emission
    lines = {name: replace(one, emission=emission) for name, one in balanced.lines.items()}
    masters = {**balanced.masters, "rgb": balanced.rgb.with_(pixels=light)}
    return balanced.with_(masters=frozen(masters), lines=frozen(lines))


def less_sky(blended: Blended) -> Work:
    """Return the true light less what of it was taken for sky, a level a plane, finished like the picture.

    Where a nebula nowhere ends, its least light and the sky are one to any observer. What is left between this picture
    and the real one is the blend's.
    """
    balanced, only = blended.balanced, blended.nebula_only
    planes = zip(balanced.rgb.pixels, blended.true.rgb.pixels, strict=True)
    levels = [np.nanmedian((found - true)[only]) for found, true in planes]
    light = blended.true.rgb.pixels + np.asarray(levels, dtype=np.float32)[:, None, None]
    line = np.maximum(blended.true_line - np.float32(blended.taken), np.float32(0.0))
    lines = {name: replace(one, emission=line) for name, one in balanced.lines.items()}
    masters = {**balanced.masters, "rgb": balanced.rgb.with_(pixels=light)}
    return run_all(balanced.with_(masters=frozen(masters), lines=frozen(lines)), steps=PICTURE_STEPS)


def hidden_light(blended: Blended) -> Array:
    """Return the brightest plane that lies nowhere above the true line's light, in balanced counts.

    A sky brighter by it and a nebula fainter by it make the very same frames, with no light below 0 anywhere: which of
    the two is true no observer can tell from them.
    """
    from scipy.optimize import linprog

    light = blended.true.lines["ha"].emission
    assert light is not None
    v, u = np.indices(light.shape, dtype=np.float32)
    terms = np.stack([np.ones_like(u), u / u.max() - 0.5, v / v.max() - 0.5])
    step = 10
    limits, unit = light[::step, ::step].ravel(), float(np.median(light))
    rows = terms[:, ::step, ::step].reshape(3, -1).T
    answer = linprog(-rows.mean(axis=0), A_ub=rows, b_ub=limits / unit, bounds=(None, None)).x
    return np.tensordot(answer * unit, terms, 1).astype(np.float32)


def less_hidden(blended: Blended, hidden: Array) -> Work:
    """Return the true light without a plane of the line's that is held for sky, finished like the picture."""
    light = blended.true.rgb.pixels.copy()
    light[0] -= hidden
    line = blended.true.lines["ha"].emission
    assert line is not None
    lines = {"ha": replace(blended.true.lines["ha"], emission=np.maximum(line - hidden, np.float32(0.0)))}
    masters = {**blended.true.masters, "rgb": blended.true.rgb.with_(pixels=light)}
    return run_all(blended.balanced.with_(masters=frozen(masters), lines=frozen(lines)), steps=PICTURE_STEPS)


def noise_from_elsewhere(true: Work, balanced: Work) -> Work:
    """Return true light with what the balanced planes hold besides it, some star widths off: noise, and sky left in.

    It tells how true a star's colour can be in these frames, whatever is blended.
    """
    # Wide against a star, narrow against the frame.
    besides = np.roll(balanced.rgb.pixels - true.rgb.pixels, (41, 57), axis=(1, 2))
    masters = {**true.masters, "rgb": true.rgb.with_(pixels=true.rgb.pixels + np.nan_to_num(besides))}
    return true.with_(masters=frozen(masters))
