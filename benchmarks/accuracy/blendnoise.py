"""Noise after a blend beside what is predicted before it, and automatic amounts beside the best of a scan."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
from blended import Array, Blended, Value, true_light
from numpy.typing import NDArray

from blend.base.robust import MAD_TO_SIGMA, bin_mean
from blend.recipe.state import Work
from blend.recipe.steps.blends import blend_display, blend_linear, display_sky
from blend.recipe.steps.stretch import stretch
from blend.science.line.amount import bright_weights, faint_places, noise_covariance, noise_ratio
from blend.science.picture.colour import display_luminance
from blend.science.picture.formula import apply_formula, neutral_value
from blend.science.picture.stretch import stretch_line

SIZES = (1, 4, 16)

ENOUGH = 200
"""Blocks that tell their noise to 5 % or better, where they lie apart; where a nebula leaves fewer dark ones, or their
sampling error is larger, it is told, not judged."""

DARKEST = 0.04
"""Share of a nebula's pixels whose noise a scan of amounts goes by: the darkest by the true line, some 3000 blocks."""

Blocks = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Planes:
    """What tells noise before and after a blend, by the plane, and where.

    ``red``, ``line``, ``after`` (red, blended with the faded line) and ``kept`` (red, blended with the whole line) are
    planes of noise; ``faded`` is where fading leaves nothing of the line, ``sky`` where a line may be. A block counts
    with a share ``least`` of its pixels there.
    """

    red: Array
    line: Array
    after: Array
    kept: Array
    faded: NDArray[np.bool_]
    sky: NDArray[np.bool_]
    least: float

    def blocks(self, size: int) -> tuple[Blocks, ...]:
        """Return means over a size of the four planes, each where it tells."""
        places = (self.sky, self.sky, self.faded, self.sky)
        means = []
        for plane, where in zip((self.red, self.line, self.after, self.kept), places, strict=True):
            enough = bin_mean(where.astype(np.float32), size) >= self.least
            means.append(np.where(enough, _blocks(plane, where, size), np.nan))
        return tuple(means)


def sky_noise(blended: Blended) -> Iterator[Value]:
    """Yield how well noise after the blend is what is predicted before it, of means over 1, 4 and 16 px.

    Twice: of the sky that fading leaves alone, where the prediction is red's own; and with the line kept whole, as
    where emission is sure: red and line share noise. The prediction knows the covariance of the two planes before the
    blend, from second differences; what is found is a spread of first differences afterwards. The error of both
    samplings together, from sixteen parts of the frame left out in turn, is told beside it. A nebula that fills the
    frame leaves too few wide blocks of faded sky to judge by, or so few, in one corner, that their sampling error
    passes the bar: there the line is kept, and judged.
    """
    amount = blended.linear.recorded["blend"]["red"]["amount"]
    planes = _planes(blended, amount)
    correlated = blended.night.options.correlated_noise
    for size in SIZES:
        blocks = planes.blocks(size)
        if blended.twin is None:
            # Half a pixel's noise is eight times the noise of means over 16 px.
            dark = _blocks(_true_red(blended), planes.sky, size) < 0.5 * spread(blocks[2])
            blocks = tuple(np.where(dark, plane, np.nan) for plane in blocks)
        bar = 10.0 if correlated and size == 16 else 5.0
        # Pixels of a demosaic share noise with neighbours over four pixels.
        lag = 5 if size == 1 else 2
        errors = _noise_errors(*blocks, amount=amount, lag=lag)
        doubts = _sampling_errors(blocks, amount=amount, lag=lag)
        for what, error, doubt, plane in zip(
            ("sky, faded", "line kept"), errors, doubts, blocks[2:], strict=True
        ):
            enough = np.count_nonzero(np.isfinite(plane)) >= ENOUGH and doubt <= 0.01 * bar
            judged = bar if blended.twin is None or enough else np.inf
            yield Value(f"noise after the blend at {size} px, {what}", 100 * abs(error), judged, "%")
            yield Value(f"  its own sampling error at {size} px", 100 * doubt, np.inf, "%")


def _planes(blended: Blended, amount: float) -> Planes:
    return _sky_planes(blended, amount) if blended.twin is None else _twin_planes(blended, amount)


def _true_red(blended: Blended) -> Array:
    truth = blended.night.truth
    return (truth.continuum[0] + truth.line_in_red) * np.float32(blended.gain)


def _sky_planes(blended: Blended, amount: float) -> Planes:
    """Return the planes before the blend and, once the true light is off, after it, both where the sky is empty."""
    assert blended.linear.linear is not None
    red, line, light = blended.balanced.rgb.pixels[0], blended.whole, _true_red(blended)
    kept = red + np.float32(amount) * line - light - np.float32(amount) * blended.true_line
    sky = blended.empty_sky
    return Planes(red, line, blended.linear.linear[0] - light, kept, faded=sky, sky=sky, least=0.5)


def _twin_planes(blended: Blended, amount: float) -> Planes:
    """Return half-differences of two draws of noise: a nebula leaves no empty sky, and its light goes with them.

    The second draw is brought to the counts and the continuum scale of the first. Divided by the square root of 2 a
    difference has one draw's noise.
    """
    twin = blended.twin
    assert twin is not None and blended.linear.linear is not None and twin.linear.linear is not None
    gain = np.float32(blended.gain / twin.gain)
    red = _halved(blended.balanced.rgb.pixels[0], gain * twin.balanced.rgb.pixels[0])
    line = _halved(blended.whole, blended.line_of(twin))
    after = _halved(blended.linear.linear[0], gain * twin.linear.linear[0])
    added = [
        draw.linear.linear[0] - draw.balanced.rgb.pixels[0]  # type: ignore[index]
        for draw in (blended, twin)
    ]
    faded = blended.starless & (added[0] == 0) & (added[1] == 0)
    kept, sky = red + np.float32(amount) * line, blended.starless
    # Corners are dark, and a flat makes their noise larger: it is brought to that of the frame, by single pixels.
    after *= np.float32(spread(np.where(sky, red, np.nan)) / spread(np.where(faded, red, np.nan)))
    # Few blocks are faded, their edges ragged, and cut blocks have more noise.
    return Planes(red, line, after, kept, faded=faded, sky=sky, least=0.9)


def _halved(first: Array, second: Array) -> Array:
    return (first - second) * np.float32(0.5**0.5)


def _noise_errors(
    base: Blocks, added: Blocks, faded: Blocks, whole: Blocks, *, amount: float, lag: int
) -> Blocks:
    """Return found over predicted noise minus 1, of the faded blend and of that with the line whole."""
    try:
        covariance = noise_covariance(base, added, lag=lag)
    except ValueError:  # a nebula leaves no empty sky of that size
        covariance = np.full((2, 2), np.nan)
    alone = float(np.sqrt(covariance[0, 0]))
    predicted = np.array([alone, alone * noise_ratio(covariance, amount)])
    return np.array([spread(faded, lag), spread(whole, lag)]) / predicted - 1.0


def _sampling_errors(planes: tuple[Blocks, ...], *, amount: float, lag: int) -> Blocks:
    """Return the standard errors of `_noise_errors` by a jackknife over 4 x 4 parts of the frame."""
    rows, columns = planes[0].shape
    parts = 4 * (4 * np.arange(rows) // rows)[:, None] + 4 * np.arange(columns) // columns
    left = np.array(
        [
            _noise_errors(
                *(np.where(parts == part, np.nan, plane) for plane in planes), amount=amount, lag=lag
            )
            for part in range(16)
        ]
    )
    return np.asarray(np.sqrt(15.0 * left.var(axis=0)))


def _blocks(plane: Array, where: NDArray[np.bool_], size: int) -> NDArray[np.float64]:
    return bin_mean(np.where(where, plane, np.nan), size)


def spread(blocks: NDArray[np.floating], lag: int = 2) -> float:
    """Return the noise of blocks from first differences ``lag`` blocks apart, along rows and columns.

    A root mean square of what lies within 5 sigma: pixels of a demosaic have noise of three sizes, whose median is not
    theirs.
    """
    wide = np.asarray(blocks, dtype=np.float64)
    pairs = np.concatenate([(wide[:, lag:] - wide[:, :-lag]).ravel(), (wide[lag:] - wide[:-lag]).ravel()])
    pairs = pairs[np.isfinite(pairs)]
    sure = pairs[np.abs(pairs) < 5.0 * MAD_TO_SIGMA * np.median(np.abs(pairs))]
    return float(np.sqrt(np.square(sure).mean() / 2.0)) if sure.size else float("nan")


def automatic_amounts(blended: Blended) -> Iterator[Value]:
    """Yield what amount = "auto" comes to: noise of emission-add, and signal-to-noise of luminance by the best."""
    yield _added(blended)
    for signal in ("faint", "bright"):
        yield from _shown(blended, signal)


def _automatic(work: Work, name: str, **changes: Any) -> Work:
    """Return the work with one of its blends on automatic."""
    blends = dict(work.recipe.blend)
    blends[name] = blends[name].model_copy(update={"amount": "auto", **changes})
    return work.with_(recipe=work.recipe.model_copy(update={"blend": blends}))


def _added(blended: Blended) -> Value:
    """Return the noise at 4 px of red to which the automatic amount of the whole line is added, by red's own."""
    entry = blend_linear(_automatic(blended.balanced, "red")).recorded["blend"]["red"]
    _, _, red, kept = _planes(blended, float(entry["amount"])).blocks(4)
    found = spread(kept) / spread(red)
    budget = entry["auto"]["noise_budget"]
    # The budget is kept as well as noise is predicted: within 5 %.
    what = f"noise of red at 4 px, auto amount {entry['amount']:.3f}, by budget"
    return Value(what, found / budget, 1.05)


def _shown(blended: Blended, signal: str) -> Iterator[Value]:
    """Yield how well the automatic amount into luminance shows the named light, by the best of a scan.

    Signal is what the line's true light adds to the noiseless luminance, over places that the true line chooses by the
    program's own rule; noise is that of 4-px blocks of the real luminance with the line kept whole, in empty sky. In a
    nebula that leaves none it is that of the darkest places, whatever fading makes of them: a stretch that lifts the
    dark makes noise there larger than in bright nebula. Where the best of the scan shows no signal the ratio means
    nothing: it is NaN, which keeps no bar.
    """
    work = _automatic(blended.stretched, "luminance", **{"for_": signal})
    entry = blend_display(work).recorded["blend"]["luminance"]
    formula = work.recipe.formula(entry["formula"])
    sky_level = display_sky(work)[0]
    solved, neutral = blended.done.stretches["ha"], neutral_value(formula, sky_level)
    planes = []
    none = np.zeros_like(blended.true_line)
    for light, line in (
        (work, blended.whole),
        (stretch(blend_linear(true_light(blended.night, blended.balanced))), blended.true_line),
        (stretch(blend_linear(true_light(blended.night, blended.balanced, line=False))), none),
    ):
        assert light.display is not None
        planes.append((display_luminance(light.display), stretch_line(line, solved, neutral=neutral)))
    quiet, weights = _quiet(blended), _weights(blended, signal)
    again = None
    if blended.twin is not None:
        picture = blended.twin.stretched.display
        assert picture is not None
        line = stretch_line(blended.line_of(blended.twin), solved, neutral=neutral)
        again = (display_luminance(picture), line)

    def seen(amount: float) -> float:
        real, lit, unlit = (apply_formula(formula, *pair, amount=amount, sky=sky_level) for pair in planes)
        light = np.average(bin_mean(lit - unlit, 4), weights=weights)
        if again is not None:
            real = _halved(real, apply_formula(formula, *again, amount=amount, sky=sky_level))
        return float(light / spread(_blocks(real, quiet, 4)))

    scan = {float(amount): seen(amount) for amount in (*np.linspace(0.0, 1.0, 21), entry["amount"])}
    best = max(scan, key=lambda amount: scan[amount])
    share = 100 * scan[entry["amount"]] / scan[best] if scan[best] > 0 else float("nan")
    what = f"{signal}: signal-to-noise, auto amount {entry['amount']:.3f}, by that of {best:.2f}"
    yield Value(what, share, 98.0, "%", low=True)
    gain = entry["auto"]["gain"]
    off = np.nan if gain is None else 100 * abs(gain / (scan[entry["amount"]] / scan[0.0]) - 1)
    yield Value(f"{signal}: told gain by the scan's", off, np.inf, "%")


def _quiet(blended: Blended) -> NDArray[np.bool_]:
    """Return where a scan of amounts tells noise: the empty sky, or the darkest of a nebula that leaves none."""
    if blended.twin is None:
        return _planes(blended, 0.0).faded
    line, free = blended.true_line, blended.starless
    return np.asarray(free & (line <= np.quantile(line[free], DARKEST)))


def _weights(blended: Blended, signal: str) -> NDArray[np.float64]:
    """Return weights of the 4-px blocks that hold the signal, by the true line and the rules of the program."""
    light = bin_mean(blended.true_line, 4)
    noise = spread(_planes(blended, 0.0).blocks(4)[1])
    if signal == "bright":
        bright = bright_weights(light, noise)
        return np.full(light.shape, np.nan) if bright is None else bright
    on = faint_places(bin_mean(light, 4), noise / 4.0)
    if on is None:
        return np.full(light.shape, np.nan)
    weights = np.zeros(light.shape)
    wide = on.repeat(4, axis=0).repeat(4, axis=1)
    weights[: wide.shape[0], : wide.shape[1]] = wide
    return weights
