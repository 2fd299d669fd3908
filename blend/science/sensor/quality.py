"""Judge a picture before anything is done to it: is it what the job expects, linear, whole, of one kind."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import InputError
from blend.base.lazyplanes import AnyPlane, AnyPlanes
from blend.base.robust import difference_noise, median, row_medians
from blend.base.shares import in_percent
from blend.science.plane import (
    border_mask,
    cut_corners,
    is_constant,
    local_noise,
    middle_rows,
    sample_pixels,
    saturation_level,
    shared_noises,
    sky_mode,
    sky_spread,
)
from blend.science.sensor.edges import edge_mask, edge_words, worst_edges
from blend.science.sensor.header_words import declared_display, stretch_words
from blend.science.sensor.linearity import (
    FALLEN,
    GAP,
    SURE,
    WARN_SIGMA,
    WARN_SKEW,
    Linearity,
    judge_linearity,
)
from blend.science.sensor.whole_numbers import empty_codes, is_eight_bit

_SAMPLE, _ROWS_SAMPLE = 300_000, 2_000_000
"""Pixels a plane's values, and its colours, are told by: a share of 1 % is known to 2 % of itself."""

_ROTATED = 1e-3
"""Share of the frame in its cut corners from which it was rotated: 0.1 % is a corner of 4.5 % of both sides."""

_FEWEST_VALUES, _FEWEST_STEPS = 256, 1000
"""Pixels that tell shares of values, and the steps of a sky (chosen, not measured)."""

_MOST_BELOW, _COMBED = 0.9, 0.05
"""Shares of pixels below 0, half of them on a sky at 0 that nobody clipped, and of codes never taken, from which a word
is worth while (chosen: whole numbers that were never scaled leave none out; not measured)."""

_LEAST_VALUES = 5
"""Values within 2 sigma to both sides, steps as coarse as the noise: rounding then adds 1/12 to a variance of 1."""

_CROP, _LEAST_CROP, _LEAST_PARTS = 512, 32, 8
"""Side of the middle whose 16 parts are asked for a mosaic, and of the smallest, with 16 cells a part; and how many
parts must be whole."""

_STEP_NOISE, _STEP_SKY, _SAME = 0.5, 0.02, 0.95
"""What photosites of one kind differ by from the others in a mosaic, in noise of a pixel and of the sky, and in which
share of the parts the same one leads, which of 16 means all (chosen, not measured)."""

_BALANCED = 1.03
"""Ratio of the levels at which planes pile up from which they were multiplied: piles are a few bins of 1/400 wide, and
gains of a white balance are far larger."""

_TOP, _BRIGHT_SIGMA, _FEWEST_BRIGHT = 0.999, 10.0, 50
"""Quantile that stands for a plane's stars; and what is bright, in the plane that has most of them, and how many pixels
of it tell a colour (chosen, not measured)."""

_LINE_SHARE = 0.15
"""Most light that the second plane of a line's master has of the first: about twice what green photosites see of
H-alpha (`mosaic.LEAKAGE_656`)."""

_TIPPED = 0.6
"""What a word in the header, or 8 bits, leaves of the doubt that a picture was stretched (chosen, not measured)."""


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One thing about a picture that a user should know."""

    # ``all-nan constant negative border rotated stretched perhaps-stretched white-balance combed eight-bit
    # posterised mosaic line-in-colour grey-in-colour``
    code: str
    text: str  # what was found, in a sentence without its full stop
    plane: str | None = None  # None when the whole picture is meant
    evidence: Mapping[str, float] = field(default_factory=dict)  # figures behind the sentence
    fault: bool = False  # whether the job cannot go on with such a picture


@dataclass(frozen=True, kw_only=True, eq=False)
class Verdict:
    """All findings on one picture."""

    findings: tuple[Finding, ...]
    linear: bool  # False only where the evidence for a stretch is strong
    confidence: float  # 0 to 1, that the picture was stretched
    # what the tests of linearity found on the plane with the most contrast, and the stars of the others where
    # those of it do not decide; None without any
    linearity: Linearity | None
    border: NDArray[np.bool_]  # (rows, columns) bool; True outside the data
    # plane to the level at which its pixels pile up, None where they do not
    saturation: Mapping[str, float | None]

    def find(self, code: str) -> Finding | None:
        """Return the first finding with this code."""
        return next((finding for finding in self.findings if finding.code == code), None)


def judge(
    pixels: AnyPlanes,
    planes: Sequence[str],
    *,
    header: Mapping[str, str] | None = None,
    bits: int | None = None,
    invalid: NDArray[np.bool_] | None = None,
) -> Verdict:
    """Judge a picture by its pixels first and by its header last.

    Parameters
    ----------
    pixels : (planes, rows, columns)
        As read, any unit; NaN is no data.
    planes : sequence of str
    header : mapping of str to str, optional
        Cards of the file; only words of stretching, and our own ``domain = display``, are looked for.
    bits : int, optional
        Bits of a sample in the file.
    invalid : (rows, columns) bool, optional
        True where pixels are not to be used, besides borders.

    Returns
    -------
    Verdict

    Examples
    --------
    >>> sky = np.random.default_rng(9).normal(0.3, 0.002, (1, 64, 64)).astype(np.float32)
    >>> verdict = judge(sky, ["ha"])
    >>> verdict.linear, verdict.findings
    (True, ())
    >>> judge(np.full((1, 8, 8), np.nan), ["ha"]).findings[0].text
    'every pixel of ha is NaN'
    """
    findings = _empty_planes(pixels, planes)
    lost = {finding.plane for finding in findings}
    alive = [index for index, name in enumerate(planes) if name not in lost]
    whole = [pixels[index] for index in alive]
    border = border_mask(whole) if alive else np.ones(pixels.shape[1:], dtype=np.bool_)
    noises = {index: local_noise(pixels[index]) for index in alive}
    sides = worst_edges({index: (pixels[index], noise) for index, noise in noises.items()}, border)
    border |= edge_mask(border.shape, sides) if any(sides) else False
    unused = border if invalid is None else border | invalid
    findings += _border_findings(border) if alive else []
    if any(sides):
        findings.append(Finding(code="reading-edge", text=edge_words(sides), evidence={"lines": sum(sides)}))
    names = [planes[index] for index in alive]
    samples = [_Sample(sample_pixels(pixels[index], invalid=unused, most=_SAMPLE)) for index in alive]
    saturation: dict[str, float | None] = dict.fromkeys(planes)
    for index, sample in zip(alive, samples, strict=True):
        noise = noises[index]
        saturation[planes[index]] = saturation_level(
            pixels[index], invalid=unused, noise=noise, sample=sample.pixels
        )
        findings += _value_findings(sample, planes[index], bits)
        findings += _step_finding(sample, planes[index], bits, pixels[index], noise=median(noise))
        findings += _mosaic_finding(pixels[index], planes[index])
    findings += _balance_finding(saturation)
    findings += _colour_findings(whole, names, samples, unused)
    best = int(np.argmax([sample.contrast for sample in samples])) if names else 0
    found = None
    if any(sample.size for sample in samples):
        order = [best, *(index for index in range(len(names)) if index != best)]
        skies = [(sample.sky, sample.spread) for sample in samples]
        (plane, level, sky), *others = ((whole[i], saturation[names[i]], skies[i]) for i in order)
        found = judge_linearity(plane, invalid=unused, saturation=level, sky=sky, others=others)
    confidence, stretched = _stretch_finding(found, names[best] if names else "", header, bits)
    return Verdict(
        findings=tuple(findings + stretched),
        linear=not any(finding.fault for finding in stretched),
        confidence=confidence,
        linearity=found,
        border=border,
        saturation=saturation,
    )


def refuse_faults(verdict: Verdict, where: str) -> None:
    """Raise `InputError` for the first finding the job cannot go on with; ``where`` names the file.

    Raises
    ------
    InputError
        The first finding that no run can go on with.
    """
    advice = {
        "stretched": "give the linear stack, as it was before any stretch, curve or gamma",
        "all-nan": "look at the file again",
        "constant": "look at the file again",
    }
    for finding in verdict.findings:
        if finding.fault:
            raise InputError(
                where,
                found=finding.text,
                expected="a linear picture with data in every plane",
                advice=advice.get(finding.code, ""),
            )


def _empty_planes(pixels: AnyPlanes, planes: Sequence[str]) -> list[Finding]:
    found = []
    for name, plane in zip(planes, pixels, strict=True):
        if is_constant(plane):
            value = float(plane[0][0])
            nan = np.isnan(value)
            text = f"every pixel of {name} is {'NaN' if nan else format(value, 'g')}"
            evidence = {} if nan else {"value": value}
            code = "all-nan" if nan else "constant"
            found.append(Finding(code=code, text=text, plane=name, evidence=evidence, fault=True))
        elif not any(np.isfinite(row).any() for row in plane):
            found.append(
                Finding(code="all-nan", text=f"no pixel of {name} is a number", plane=name, fault=True)
            )
    return found


def _border_findings(border: NDArray[np.bool_]) -> list[Finding]:
    share = float(border.mean())
    if share == 0.0:
        return []
    text = f"{100.0 * share:.2g} % of the picture is a border without data"
    found = [Finding(code="border", text=text, evidence={"share": share})]
    corners = float(cut_corners(border).mean())
    if corners > _ROTATED:
        text = f"the corners are cut off ({100.0 * corners:.2g} % of the picture): the stack was rotated"
        found.append(Finding(code="rotated", text=text, evidence={"share": corners}))
    return found


class _Sample:
    """What a plane's values are told by: those that differ, by size, its sky, and the height of its stars over it."""

    def __init__(self, pixels: NDArray[np.float32]) -> None:
        self.pixels = np.sort(pixels)
        self.size = pixels.size
        # np.unique, which would sort them again
        first = np.flatnonzero(
            np.append(np.ones(min(self.size, 1), dtype=np.bool_), np.diff(self.pixels) > 0)
        )
        self.values, self.counts = self.pixels[first], np.diff(first, append=self.size)
        self.sky = sky_mode(self.pixels)
        self.spread = sky_spread(self.pixels, self.sky)
        self.height = float(np.quantile(self.pixels, _TOP)) - self.sky if pixels.size else -1.0
        self.contrast = self.height / self.spread if self.spread > 0.0 else min(0.0, self.height)


def _value_findings(sample: _Sample, name: str, bits: int | None) -> list[Finding]:
    if sample.size < _FEWEST_VALUES:
        return []
    found = []
    below = float((sample.pixels < 0.0).mean())
    if below > _MOST_BELOW:
        text = f"{100.0 * below:.0f} % of {name} is below 0: too much was subtracted"
        found.append(Finding(code="negative", text=text, plane=name, evidence={"share": below}))
    values = sample.values
    if bits == 8 or is_eight_bit(values):
        text = f"{name} holds {values.size} different values, as 8 bits do: faint light is lost in the steps"
        found.append(
            Finding(code="eight-bit", text=text, plane=name, evidence={"values": float(values.size)})
        )
    share = empty_codes(values, sample.counts)
    if share > _COMBED:
        text = (
            f"{100.0 * share:.0f} % of the values {name} could take are never taken:"
            " whole numbers were scaled, by a white balance or a curve"
        )
        found.append(Finding(code="combed", text=text, plane=name, evidence={"share": share}))
    return found


def _step_finding(
    sample: _Sample,
    name: str,
    bits: int | None,
    plane: AnyPlane,
    *,
    noise: float,
) -> list[Finding]:
    """Compare the steps of the values round the sky with the noise, which neighbours do not show where it is shared."""
    if sample.size < _FEWEST_STEPS or bits == 8 or is_eight_bit(sample.values):
        return []
    away = np.abs(sample.values - sample.sky)
    near = int((away <= 2.0 * noise).sum())
    if near < _LEAST_VALUES:
        near = max(near, int((away <= 2.0 * shared_noises(middle_rows(plane))[0]).sum()))
    if near >= _LEAST_VALUES:
        return []
    text = f"the sky of {name} holds {near} values within 2 sigma: its steps are as coarse as its noise"
    return [Finding(code="posterised", text=text, plane=name, evidence={"values": float(near)})]


def _mosaic_finding(plane: AnyPlane, name: str) -> list[Finding]:
    """Compare the four pixels of every 2x2 cell over 16 parts of the middle of the frame."""
    edge = min(_CROP, plane.shape[0] // 8 * 8, plane.shape[1] // 8 * 8)
    if edge < _LEAST_CROP:
        return []
    top, left = (plane.shape[0] - edge) // 4 * 2, (plane.shape[1] - edge) // 4 * 2
    middle = np.asarray(plane[top : top + edge, left : left + edge], dtype=np.float64)
    phases = np.stack([middle[j::2, i::2] for j in (0, 1) for i in (0, 1)])
    quarter = edge // 8
    parts = phases.reshape(4, 4, quarter, 4, quarter).transpose(1, 3, 0, 2, 4).reshape(16, 4, -1)
    parts = parts[np.isfinite(parts).all(axis=(1, 2))]
    if len(parts) < _LEAST_PARTS:
        return []
    medians = row_medians(parts)
    offsets = medians - medians.mean(axis=1, keepdims=True)
    mean = offsets.mean(axis=0)
    noise = difference_noise(phases[0])
    reach = float(np.ptp(mean))
    level = median(np.abs(medians))
    high, low = int(np.argmax(mean)), int(np.argmin(mean))
    same = float((offsets[:, high] > offsets[:, low]).mean())
    if reach < _STEP_NOISE * noise or reach < _STEP_SKY * level or same < _SAME:
        return []
    share = in_percent(reach / level if level > 0.0 else None, ".0f")
    text = (
        f"the pixels of {name} alternate by {f'{share} of the sky' if share else f'{reach:.3g}, more than the sky,'}"
        " in cells of 2x2: this is a colour mosaic that was not taken apart"
    )
    return [
        Finding(code="mosaic", text=text, plane=name, evidence={"step": reach, "noise": noise, "sky": level})
    ]


def _balance_finding(saturation: Mapping[str, float | None]) -> list[Finding]:
    levels = {name: level for name, level in saturation.items() if level is not None}
    if len(levels) < 2 or min(levels.values()) <= 0.0:
        return []
    ratio = max(levels.values()) / min(levels.values())
    if ratio < _BALANCED:
        return []
    listed = ", ".join(f"{name} {level:.4g}" for name, level in levels.items())
    text = f"the planes saturate at different levels ({listed}): a white balance or colour matrix was applied"
    return [Finding(code="white-balance", text=text, evidence={**levels, "ratio": ratio})]


def _colour_findings(
    planes: Sequence[AnyPlane],
    names: Sequence[str],
    samples: Sequence[_Sample],
    unused: NDArray[np.bool_],
) -> list[Finding]:
    if len(names) < 3:
        return []
    stride = max(1, -(-planes[0].size // _ROWS_SAMPLE))
    rows = np.stack([plane[::stride] for plane in planes])
    if all(np.array_equal(rows[0], other, equal_nan=True) for other in rows[1:]):
        text = "all planes are the same: a grey picture saved in colour"
        return [Finding(code="grey-in-colour", text=text)]
    good = np.isfinite(rows).all(axis=0) & ~unused[::stride]
    top = max(samples, key=lambda sample: sample.height)
    bright = good & (rows[samples.index(top)] > top.sky + _BRIGHT_SIGMA * top.spread)
    if bright.sum() < _FEWEST_BRIGHT:
        return []
    light = np.array(
        [float((p[bright] - s.sky).sum(dtype=np.float64)) for p, s in zip(rows, samples, strict=True)]
    )
    order = np.argsort(-light)
    most, second = float(light[order[0]]), float(light[order[1]])
    if most <= 0.0 or second > _LINE_SHARE * most:
        return []
    name = names[int(order[0])]
    text = (
        f"only {name} holds stars (the others {100.0 * max(0.0, second) / most:.0f} % of its light):"
        f" this is a line master of a colour camera, whose line is in {name}"
    )
    evidence = {names[i]: float(light[i] / most) for i in range(len(names))}
    return [Finding(code="line-in-colour", text=text, plane=name, evidence=evidence)]


def _stretch_finding(
    found: Linearity | None, plane: str, header: Mapping[str, str] | None, bits: int | None
) -> tuple[float, list[Finding]]:
    if found is None:
        return 0.0, []
    words = stretch_words(header or {})
    declared = declared_display(header or {})
    # a word, or 8 bits, can tip evidence from the pixels, never stand for it
    doubt = (1.0 - found.confidence) * (_TIPPED if words else 1.0) * (_TIPPED if bits == 8 else 1.0)
    confidence = 1.0 - doubt
    confidence = 1.0 if declared else confidence
    sure = confidence >= SURE
    if not sure and found.outcome != "perhaps-stretched":
        return confidence, []
    evidence = {
        "confidence": confidence,
        "power": found.power,
        "power_error": found.power_error,
        "stars": float(found.stars),
        "skew": found.skew,
        "gap": found.gap,
        "noise_ratio": found.noise_ratio,
    }
    evidence = {key: value for key, value in evidence.items() if np.isfinite(value)}
    said = "was already" if sure else "may have been"
    text = f"{plane} {said} stretched: {_reasons(found, words, declared)}"
    code = "stretched" if sure else "perhaps-stretched"
    return confidence, [Finding(code=code, text=text, evidence=evidence, fault=sure)]


def _reasons(found: Linearity, words: str, declared: bool) -> str:
    reasons = []
    if declared:
        reasons.append("its header says display domain")
    if found.power < 1.0 - WARN_SIGMA * found.power_error:
        reasons.append(
            f"its {found.stars} stars are one profile under the power {found.power:.2f} +- {found.power_error:.2f},"
            " which is 1 for a linear picture"
        )
    if found.skew <= WARN_SKEW:
        reasons.append(f"the noise of its sky is drawn out towards black (skew {found.skew:.2f})")
    if found.gap < GAP:
        reasons.append(f"just above black {found.gap:.2f} times as many pixels stand as next to them")
    if found.noise_ratio < FALLEN:
        reasons.append(f"bright regions have {found.noise_ratio:.2f} times the noise of faint ones")
    if words:
        reasons.append(f"its header says {words!r}")
    return ", ".join(reasons)
