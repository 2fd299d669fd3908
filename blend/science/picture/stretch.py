"""Stretch curves: linear light to display values, one parameter solved so that the sky lands where asked.

x = (I - black) / (reach - black), black = sky - black_sigma * sigma, y = curve(x)

y is an sRGB code value. A curve is its equation, one entry of `CURVES`. Reach is white, or, where the target says how
bright the picture is, solved in `blend.science.picture.target_tone`; what is brighter than the target then lies on a
shoulder that ends at white.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import StepError
from blend.base.roots import root_between
from blend.base.transfer import decode_block, encode_block
from blend.science.picture.brighten import STEP_BITS, brighten, scale_and_light
from blend.science.picture.colourspace import map_pixels
from blend.science.picture.curves import CURVES, Curve
from blend.science.picture.target_tone import Shoulder, Tone, black_for, solve_reach

HIGHEST_SKY_NOISE = 0.025
"""Display noise of a sky pixel that a level gives way to: 6 of 255 steps, grain seen at 100 %. Chosen."""

LEAST_OF_SKY = 0.1
"""Of the sky's place on the curve: darker light gets the gain of this one: noise below black is not enlarged."""

SMALLEST_SIGMA = 1e-6
"""Noise taken for a noiseless (made) picture, as a share of white - sky: keeps the sky above black."""


@dataclass(frozen=True)
class SolvedStretch:
    """A curve with its parameter, black and white fixed."""

    curve: str
    parameter: float  # NaN for ``linear``
    # black and white: linear levels shown as 0 and 1
    black: float
    white: float
    sky: float  # linear level of the sky
    # sky_level and wanted_level: display value the sky gets, and the one asked for
    sky_level: float
    wanted_level: float
    sky_slope: float  # dy / dI at the sky: display per linear unit
    sky_noise: float  # noise of one sky pixel as displayed
    lowered: bool  # the level was lowered to keep ``sky_noise`` within its limit
    clipped_share: float  # share of sky pixels below black, for Gaussian noise
    shoulder: Shoulder | None = None  # what the curve becomes above the target
    # where the target landed, and what kept it from its level; None where white was given
    tone: Tone | None = None

    @property
    def reach(self) -> float:
        """The linear level at which the curve alone would be 1."""
        end = self.shoulder.reach if self.shoulder else 1.0
        return self.black + end * (self.white - self.black)

    @property
    def sky_position(self) -> float:
        """The sky's x, between 0 (black) and 1 (white)."""
        return (self.sky - self.black) / (self.white - self.black)


def solve_stretch(
    curve: str,
    *,
    sky: float,
    sigma: float,
    white: float,
    sky_level: float,
    black_sigma: float = 3.0,
    most_sky_noise: float = HIGHEST_SKY_NOISE,
    shown_sigma: float | None = None,
    target: tuple[float, float] | None = None,
) -> SolvedStretch:
    """Find the curve's parameter that shows the sky at ``sky_level``.

    Parameters
    ----------
    curve : str
        A name of `CURVES`.
    sky : float
        Linear sky level, 0 after the gradient step.
    sigma : float
        Noise of one pixel of the noisiest plane, linear: black is measured in it. Zero or NaN (a made
        picture) is taken as a millionth of ``white - sky``.
    white : float
        Linear level to be shown as 1.
    sky_level : float
        Wanted display value of the sky, between 0 and 1.
    black_sigma : float
        Black lies this many sigma below the sky.
    most_sky_noise : float
        Largest displayed noise of a sky pixel; the level is lowered until it holds. ``linear`` cannot be
        lowered.
    shown_sigma : float, optional
        Noise of what the curve acts on, where that is less noisy: the mean of three planes. ``sigma`` by
        default.
    target : (float, float), optional
        Linear level of the target's brightest part, and the display value wanted for it: the curve then reaches 1
        where that needs it, within what ``shown_sigma`` allows, and ends in a shoulder up to white.

    Raises
    ------
    StepError
        White is not above the sky, the level is not inside (0, 1), or no parameter gives it.

    Examples
    --------
    >>> solved = solve_stretch("power", sky=0.0, sigma=1 / 297, white=1.0, sky_level=0.25, most_sky_noise=1.0)
    >>> round(solved.parameter, 5)
    0.30103
    """
    entry = CURVES.find(curve, where="stretch.curve")
    if not (math.isfinite(sky) and math.isfinite(white) and white > sky):
        raise StepError(
            "stretch",
            found=f"white {white:.6g} is not above the sky {sky:.6g}",
            advice="look at the star cores and the gradient of this master",
        )
    if not 0.0 < sky_level < 1.0:
        raise StepError("stretch.sky_level", found=f"{sky_level:g}", expected="a number between 0 and 1")
    if black_sigma <= 0.0 or most_sky_noise <= 0.0:
        raise ValueError("black_sigma and most_sky_noise must be above 0")
    noise = sigma if math.isfinite(sigma) and sigma > 0.0 else SMALLEST_SIGMA * (white - sky)
    shown = shown_sigma if shown_sigma is not None and shown_sigma > 0.0 else noise
    black = sky - black_sigma * noise
    reach, shoulder, tone = white, None, None
    if target is not None and target[0] > sky:
        black = black_for(black, sky=sky, white=white, sky_level=sky_level, shown=shown)
        reach, shoulder, tone = _on_target(curve, sky, black, white, shown, sky_level, target)
    level, parameter, slope = _solved(curve, sky, black, reach, shown, sky_level, most_sky_noise)
    return SolvedStretch(
        curve=curve,
        parameter=parameter,
        black=black,
        white=white,
        sky=sky,
        sky_level=level,
        wanted_level=sky_level,
        sky_slope=slope,
        sky_noise=slope * shown,
        lowered=bool(entry.parameter) and level < sky_level,
        clipped_share=0.5 * math.erfc((sky - black) / noise / math.sqrt(2.0)),
        shoulder=shoulder,
        tone=tone,
    )


@lru_cache(maxsize=64)
def _on_target(
    curve: str,
    sky: float,
    black: float,
    white: float,
    shown: float,
    sky_level: float,
    target: tuple[float, float],
) -> tuple[float, Shoulder | None, Tone]:
    """Return the reach, the shoulder above the target and how it went; remembered, since variants ask again."""
    entry, light = CURVES[curve], target[0]

    def shown_at(reach: float, levels: list[float]) -> NDArray[np.float64]:
        problem = _Problem(entry, sky=sky, black=black, white=reach, shown=shown)
        parameter = problem.parameter(sky_level) if entry.parameter else math.nan
        return entry.value((np.array(levels) - black) / (reach - black), parameter)

    reach, tone = solve_reach(shown_at, sky=sky, black=black, white=white, sky_level=sky_level, target=target)
    if reach >= white or light >= white:
        return white, None, tone
    step = 1e-5 * (light - black)
    before, at, after = (float(y) for y in shown_at(reach, [light - step, light, light + step]))
    slope = (after - before) / (2.0 * step)
    return reach, Shoulder.between(light, at, slope, black=black, reach=reach, white=white), tone


@lru_cache(maxsize=64)
def _solved(
    curve: str, sky: float, black: float, white: float, shown: float, wanted: float, limit: float
) -> tuple[float, float, float]:
    """Return the sky's level, the parameter and the slope; remembered, since variants ask for the same again."""
    entry = CURVES[curve]
    problem = _Problem(entry, sky=sky, black=black, white=white, shown=shown)
    level = problem.quiet_level(wanted, limit) if entry.parameter else problem.m
    parameter = problem.parameter(level) if entry.parameter else math.nan
    return level, parameter, problem.slope(parameter)


class _Problem:
    """One curve with black and white fixed: its parameter and slope as functions of the sky's level."""

    def __init__(self, curve: Curve, *, sky: float, black: float, white: float, shown: float) -> None:
        self.curve, self.black, self.shown = curve, black, shown
        self.reach = white - black
        self.m = (sky - black) / self.reach

    def parameter(self, level: float) -> float:
        """Return the parameter that sends the sky to ``level``."""
        if self.curve.solution:
            return float(self.curve.parsed_solution.evaluate({"m": self.m, "t": level}, dtype="float64"))

        def miss(log_parameter: float) -> float:
            return float(self.curve.value(self.m, math.exp(log_parameter))) - level

        low, high = (math.log(edge) for edge in self.curve.bracket)
        if miss(low) * miss(high) > 0.0:
            raise self._unreachable(level)
        return math.exp(root_between(miss, low, high, tolerance=1e-13))

    def _unreachable(self, level: float) -> StepError:
        edges = sorted(float(self.curve.value(self.m, edge)) for edge in self.curve.bracket)
        return StepError(
            "stretch",
            found=f"the curve {self.curve.name} cannot show the sky at {level:.4g}: "
            f"black and white alone put it at {self.m:.4g}",
            expected=f"a sky_level between {edges[0]:.4g} and {edges[1]:.4g}",
            advice="choose a sky_level in that range, or the curve 'power' or 'rational'",
        )

    def slope(self, parameter: float) -> float:
        """Return dy / dI at the sky."""
        h = 1e-5 * min(self.m, 1.0 - self.m)
        ends = self.curve.value(np.array([self.m - h, self.m + h]), parameter)
        return float(ends[1] - ends[0]) / (2.0 * h * self.reach)

    def noise(self, level: float) -> float:
        """Return the displayed noise of a sky pixel for a sky at ``level``."""
        return self.slope(self.parameter(level)) * self.shown

    def quiet_level(self, wanted: float, limit: float) -> float:
        """Return ``wanted``, or the highest level below it at which the noise keeps to ``limit``."""
        if self.noise(wanted) <= limit:
            return wanted
        # asinh and log only brighten: their lowest level is the linear one.
        lowest = 1e-6 * wanted if self.curve.solution else self.m * 1.001
        if lowest >= wanted or self.noise(lowest) >= limit:
            return min(lowest, wanted)
        return root_between(lambda level: self.noise(level) - limit, lowest, wanted, tolerance=1e-9)


def stretch_planes(
    pixels: NDArray[np.floating],
    solved: SolvedStretch,
    *,
    colour: Literal["preserve", "planes"] = "preserve",
    place: NDArray[np.float32] | None = None,
) -> NDArray[np.float32]:
    """Stretch a picture of one or more planes on one grid.

    ``planes``: each plane through the curve by itself. ``preserve``: with p the planes scaled to black 0
    and white 1 and v their mean, light = p * decode(curve(v)) / v, so that grey gets the curve and every
    ratio of planes, hence hue, is kept; a colour that would pass 1 gives up brightness and chroma, as
    `blend.science.picture.brighten` says.

    Parameters
    ----------
    pixels : (planes, rows, columns)
        Linear, sky subtracted plane by plane.
    solved : SolvedStretch
    colour : "preserve" or "planes"
    place : (planes, rows, columns) float32, optional
        Filled with the answer; may be ``pixels``.

    Returns
    -------
    (planes, rows, columns) float32
        sRGB code values in [0, 1]. NaN in any plane gives NaN in every plane of that pixel under
        ``preserve``, and in its own plane under ``planes``.

    Raises
    ------
    ValueError
        Another shape, or another word for ``colour``.

    Notes
    -----
    Below a tenth of the sky's x the gain decode(curve(v)) / v is held, since v may be noise around 0. The
    mean, not the luminance, is v: the luminance would give a red nebula a fifth of its weight.

    References
    ----------
    Lupton et al. (2004), PASP 116, 133, for one gain to all planes from their mean; there the brightest
    plane alone is divided down, and colour is kept in code values where here it is kept in light.
    """
    if pixels.ndim != 3:
        raise ValueError(f"pixels have planes, rows and columns, not shape {pixels.shape}")
    if colour not in ("preserve", "planes"):
        raise ValueError(f"colour is {colour!r}, not 'preserve' or 'planes'")
    change = _by_planes if colour == "planes" or pixels.shape[0] == 1 else _in_colour
    return map_pixels(change(solved), pixels.astype(np.float32, copy=False), place=place)


def stretch_line(
    plane: NDArray[np.floating], solved: SolvedStretch, *, neutral: float
) -> NDArray[np.float32]:
    """Stretch a line's light for a display blend, its sky at the formula's neutral value.

    y = f(x) - f(x_sky) + neutral, f(-x) = -f(x)

    Parameters
    ----------
    plane : (rows, columns)
        Linear, sky subtracted.
    solved : SolvedStretch
        Solved for this plane's own noise.
    neutral : float
        From `blend.science.picture.formulas.neutral_value`.

    Returns
    -------
    (rows, columns) float32
        At most 1, not clipped below: noise around the sky stays on both sides of ``neutral``. NaN is kept.

    Raises
    ------
    ValueError
        Another shape.
    """
    if plane.ndim != 2:
        raise ValueError(f"a plane has rows and columns, not shape {plane.shape}")
    run = _CurveBlock(solved)

    def curve(block: NDArray[np.float32]) -> NDArray[np.float32]:
        x = run.scaled(block)
        return np.copysign(run(np.minimum(np.abs(x), np.float32(1.0))), x)

    # The sky through the same arithmetic as the pixels, so that a pixel at the sky lands on ``neutral`` exactly.
    sky = curve(np.full(1, solved.sky, dtype=np.float32))[0]

    def change_block(block: NDArray[np.float32]) -> NDArray[np.float32]:
        places = np.flatnonzero(block != np.float32(solved.sky))  # faded emission is 0 over most of a frame
        made = np.full(block.shape, min(neutral, 1.0), dtype=np.float32)
        y = curve(block[0, places])
        y -= sky
        y += np.float32(neutral)
        made[0, places] = np.minimum(y, np.float32(1.0))
        return made

    return map_pixels(change_block, plane[None].astype(np.float32, copy=False))[0]  # type: ignore[no-any-return]


class _CurveBlock:
    """A solved curve on a block of float32 values."""

    def __init__(self, solved: SolvedStretch) -> None:
        curve = CURVES[solved.curve]
        low, high = curve.quick_range
        self._equation = curve.parsed_quick if low <= solved.parameter <= high else curve.parsed
        self._constants: dict[str, Any] = {curve.parameter: solved.parameter} if curve.parameter else {}
        self.black = np.float32(solved.black)
        self.gain = np.float32(1.0 / (solved.white - solved.black))
        self._shoulder = solved.shoulder

    def scaled(self, values: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return x, 0 at black and 1 at white."""
        return (values - self.black) * self.gain

    def __call__(self, x: NDArray[np.float32]) -> NDArray[np.float32]:
        """Return y for x in [0, 1]."""
        shoulder = self._shoulder
        if shoulder is None:
            return self._equation.evaluate({"x": x, **self._constants}, dtype="float32")
        low = np.minimum(x, np.float32(shoulder.x)) * np.float32(1.0 / shoulder.reach)
        y = self._equation.evaluate({"x": low, **self._constants}, dtype="float32")
        high = x > np.float32(shoulder.x)
        if high.any():
            y[high] = shoulder.value(x[high])
        return y


def _by_planes(solved: SolvedStretch) -> Callable[[NDArray[np.float32]], NDArray[np.float32]]:
    run = _CurveBlock(solved)

    def change_block(block: NDArray[np.float32]) -> NDArray[np.float32]:
        return np.clip(run(np.clip(run.scaled(block), 0.0, 1.0)), 0.0, 1.0)

    return change_block


def _in_colour(solved: SolvedStretch) -> Callable[[NDArray[np.float32]], NDArray[np.float32]]:
    run, least, one = _CurveBlock(solved), np.float32(LEAST_OF_SKY * solved.sky_position), np.float32(1.0)
    first, last = (int(edge.view(np.int32)) >> STEP_BITS for edge in (least, one))
    at = (np.arange(first, last + 2, dtype=np.int32) << STEP_BITS).view(np.float32)
    light = decode_block(np.minimum(run(np.minimum(at, one)), one))
    table = np.stack([light[:-1], np.diff(light)])

    def change_block(block: NDArray[np.float32]) -> NDArray[np.float32]:
        # A kernel is quick on contiguous arrays alone.
        source = np.ascontiguousarray(block)
        planes, (value, inside, light) = np.empty_like(source), np.empty((3, source.shape[1]), np.float32)
        bits = inside.view(np.int32)
        to_unit = run.black, run.gain, least
        scale_and_light(source, *to_unit, planes, value, inside, bits, first, table, light)
        brighten(planes, value, inside, light)
        # The encoding of light clipped to [0, 1] lies in [0, 1].
        return encode_block(planes)

    return change_block
