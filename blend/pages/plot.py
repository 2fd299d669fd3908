"""A small plot as SVG text for a page: axes, lines, dots, steps and arrows, in the page's own ink and type."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from html import escape
from math import ceil, floor, log10

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

INCH = 72.0
"""Units of a drawing in an inch: its text is 9 points high."""

LEFT, RIGHT, BOTTOM, GAP = 50.0, 14.0, 34.0, 8.0
"""Margins that hold the numbers and names of axes, and the room between panels."""

MOST_DECADES, MOST_TICKS = 6, 6
"""Numbers along an axis: more run into each other at the width of a plot."""

LETTER = 4.7
"""Mean width of a letter of 9 points in a page's plain type: sets names of a legend apart."""

_POWERS = str.maketrans("-0123456789", "⁻⁰¹²³⁴⁵⁶⁷⁸⁹")


@dataclass(frozen=True)
class Axis:
    """One axis from ``low`` to ``high``, which may be the smaller; ``log`` for one of decades."""

    low: float
    high: float
    label: str = ""
    log: bool = False

    def at(self, values: ArrayLike) -> Floats:
        """Return values as shares of the axis' length; NaN where they are no number, or no logarithm."""
        places = np.asarray(values, dtype=np.float64)
        ends = np.array([self.low, self.high])
        if self.log:
            with np.errstate(divide="ignore", invalid="ignore"):
                places, ends = np.log10(places), np.log10(ends)
        shares = (places - ends[0]) / (ends[1] - ends[0])
        return np.where(np.isfinite(shares), shares, np.nan)

    def ticks(self) -> list[tuple[float, str]]:
        """Return the places with their numbers; no number at the places between decades.

        Examples
        --------
        >>> Axis(0.0, 1.0).ticks()
        [(0.0, '0'), (0.2, '0.2'), (0.4, '0.4'), (0.6, '0.6'), (0.8, '0.8'), (1.0, '1')]
        >>> Axis(0.5, 30.0, log=True).ticks()
        [(0.5, ''), (1.0, '1'), (2.0, ''), (5.0, ''), (10.0, '10'), (20.0, '')]
        """
        low, high = sorted((self.low, self.high))
        return list(_decades(low, high) if self.log else _steps(low, high))


def _steps(low: float, high: float) -> Iterable[tuple[float, str]]:
    rough = (high - low) / MOST_TICKS
    power = 10.0 ** floor(log10(rough))
    step = next(k * power for k in (1, 2, 5, 10) if k * power >= rough * (1.0 - 1e-9))
    for number in range(ceil(low / step - 1e-9), floor(high / step + 1e-9) + 1):
        value = round(number * step, 12)
        yield value, f"{value:g}"


def _decades(low: float, high: float) -> Iterable[tuple[float, str]]:
    first, last = floor(log10(low)), ceil(log10(high))
    stride = max(1, ceil((last - first) / MOST_DECADES))
    for power in range(first, last + 1):
        for factor in (1, 2, 5) if stride == 1 else (1,):
            value = round(factor * 10.0**power, 15 - min(power, 0))
            if low <= value <= high:
                yield value, power_of_ten(power) if factor == 1 and (power - first) % stride == 0 else ""


def power_of_ten(power: int) -> str:
    """Return a power of ten in figures.

    Examples
    --------
    >>> power_of_ten(-2), power_of_ten(3), power_of_ten(1)
    ('10⁻²', '10³', '10')
    """
    return f"{10**power}" if power in (0, 1) else "10" + str(power).translate(_POWERS)


@dataclass
class Panel:
    """One pair of axes in a drawing; what it is given is cut off at its frame."""

    box: tuple[float, float, float, float]  # in units of the drawing
    x: Axis
    y: Axis
    # the numbers of y stand at the right side, and x has none: for a second scale over a first
    right: bool = False
    named: bool = True  # x has its numbers and its name
    marks: list[str] = field(default_factory=list)
    legend: list[tuple[str, str, str]] = field(default_factory=list)

    def _places(self, x: ArrayLike, y: ArrayLike) -> tuple[Floats, Floats]:
        _, _, width, height = self.box
        return width * self.x.at(x), height * (1.0 - self.y.at(y))

    def line(
        self, x: ArrayLike, y: ArrayLike, colour: str, *, width: float = 1.0, dash: str = "", name: str = ""
    ) -> None:
        """Draw a line through points; NaN leaves a gap."""
        path, pen = [], "M"
        for px, py in zip(*self._places(x, y), strict=True):
            if np.isnan(px + py):
                pen = "M"
                continue
            path.append(f"{pen}{px:.1f} {py:.1f}")
            pen = "L"
        dashes = f' stroke-dasharray="{dash}"' if dash else ""
        self._mark("".join(path), f'fill="none" stroke="{colour}" stroke-width="{width:g}"{dashes}')
        self._name(name, colour, "line")

    def across(self, value: float, colour: str, *, width: float = 1.0) -> None:
        """Draw a line at a value of y."""
        self.line([self.x.low, self.x.high], [value, value], colour, width=width)

    def up(self, value: float, colour: str, *, width: float = 1.0, dash: str = "", name: str = "") -> None:
        """Draw a line at a value of x."""
        self.line([value, value], [self.y.low, self.y.high], colour, width=width, dash=dash, name=name)

    def dots(
        self, x: ArrayLike, y: ArrayLike, colour: str, *, size: float, ring: bool = False, name: str = ""
    ) -> None:
        """Draw a dot, or a ring, ``size`` wide at every point."""
        places = [(px, py) for px, py in zip(*self._places(x, y), strict=True) if not np.isnan(px + py)]
        if ring:
            r = f"{0.5 * size:g}"
            arcs = f"a{r} {r} 0 1 0 {size:g} 0a{r} {r} 0 1 0-{size:g} 0"
            path = "".join(f"M{px - 0.5 * size:.1f} {py:.1f}{arcs}" for px, py in places)
            self._mark(path, f'fill="none" stroke="{colour}"')
        else:
            path = "".join(f"M{px:.1f} {py:.1f}h0" for px, py in places)
            self._mark(path, f'stroke="{colour}" stroke-width="{size:g}" stroke-linecap="round"')
        self._name(name, colour, "ring" if ring else "dot")

    def stairs(self, counts: ArrayLike, edges: ArrayLike, colour: str, *, name: str = "") -> None:
        """Draw a histogram as the outline of its bars."""
        self.line(np.repeat(edges, 2)[1:-1], np.repeat(counts, 2), colour, name=name)

    def arrows(self, x: Floats, y: Floats, along: Floats, down: Floats, colour: str, *, scale: float) -> None:
        """Draw arrows from points, ``scale`` units of the axes long a unit of theirs."""
        x0, y0 = self._places(x, y)
        x1, y1 = self._places(x + scale * along, y + scale * down)
        self._mark("".join(map(arrow, x0, y0, x1, y1)), f'fill="none" stroke="{colour}" stroke-width="1.2"')

    def _mark(self, path: str, style: str) -> None:
        if path:
            self.marks.append(f'<path d="{path}" {style}/>')

    def _name(self, name: str, colour: str, kind: str) -> None:
        if name:
            self.legend.append((name, colour, kind))

    def text(self) -> str:
        """Return the panel's SVG."""
        left, top, width, height = self.box
        size = f'width="{width:.1f}" height="{height:.1f}"'
        parts = [f'<svg x="{left:.1f}" y="{top:.1f}" {size} overflow="hidden">{"".join(self.marks)}</svg>']
        if not self.right:
            parts.append(
                f'<rect x="{left:.1f}" y="{top:.1f}" {size} fill="none" stroke="currentColor" stroke-width=".8"/>'
            )
            parts += self._along()
        parts += self._beside()
        return "".join(parts)

    def _along(self) -> list[str]:
        left, top, width, height = self.box
        parts, foot = [], top + height
        for value, number in self.x.ticks():
            at = left + width * float(self.x.at(value))
            parts.append(_tick(at, foot, at, foot + (4.0 if number else 2.5)))
            if self.named and number:
                parts.append(label(number, at, foot + 14.0, "middle"))
        if self.named:
            parts.append(label(self.x.label, left + 0.5 * width, foot + 28.0, "middle"))
        return parts

    def _beside(self) -> list[str]:
        left, top, width, height = self.box
        side, out = (left + width, 1.0) if self.right else (left, -1.0)
        parts = []
        for value, number in self.y.ticks():
            at = top + height * (1.0 - float(self.y.at(value)))
            parts.append(_tick(side, at, side + out * (4.0 if number else 2.5), at))
            if number:
                parts.append(label(number, side + out * 6.0, at + 3.0, "start" if self.right else "end"))
        x, y = side + out * (0.8 * LEFT - 2.0), top + 0.5 * height
        turned = (
            f'<g transform="translate({x:.1f} {y:.1f}) rotate(-90)">{label(self.y.label, 0, 0, "middle")}</g>'
        )
        return [*parts, turned]


def _tick(x0: float, y0: float, x1: float, y1: float) -> str:
    return f'<path d="M{x0:.1f} {y0:.1f}L{x1:.1f} {y1:.1f}" stroke="currentColor" stroke-width=".8"/>'


def arrow(x0: float, y0: float, x1: float, y1: float) -> str:
    """Return the path of an arrow, its head at most 4 units long."""
    length = float(np.hypot(x1 - x0, y1 - y0))
    if not length > 0.0:
        return ""
    head = min(4.0, 0.5 * length) / length
    bx, by, sx, sy = (head * (x1 - x0), head * (y1 - y0), 0.5 * head * (y1 - y0), 0.5 * head * (x1 - x0))
    return (
        f"M{x0:.1f} {y0:.1f}L{x1:.1f} {y1:.1f}M{x1 - bx + sx:.1f} {y1 - by - sy:.1f}L{x1:.1f} {y1:.1f}"
        f"L{x1 - bx - sx:.1f} {y1 - by + sy:.1f}"
    )


def label(text: str, x: float, y: float, anchor: str) -> str:
    """Return a piece of text that starts, is centred or ends at a place."""
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(text)}</text>'


def one_box(
    width: float, height: float, *, top: float, right: float = RIGHT
) -> tuple[float, float, float, float]:
    """Return the box of the only panel of a drawing, ``top`` units below its edge."""
    return LEFT, top, width - LEFT - right, height - top - BOTTOM


def legend(names: Sequence[tuple[str, str, str]], x: float, y: float, *, row: bool) -> str:
    """Return names with their marks, beside each other from a centre, or below each other up to a right side."""
    lengths = [18.0 + LETTER * len(name) for name, _, _ in names]
    parts = []
    at = x - (0.5 * (sum(lengths) + 10.0 * (len(names) - 1)) if row else max(lengths, default=0.0))
    for (name, colour, kind), length in zip(names, lengths, strict=True):
        style = {
            "line": f'<path d="M{at:.1f} {y - 3:.1f}h12" stroke="{colour}" stroke-width="1.5"/>',
            "ring": f'<circle cx="{at + 6:.1f}" cy="{y - 3:.1f}" r="2.5" fill="none" stroke="{colour}"/>',
            "dot": f'<circle cx="{at + 6:.1f}" cy="{y - 3:.1f}" r="2" fill="{colour}"/>',
        }[kind]
        parts.append(style + label(name, at + 16.0, y, "start"))
        at, y = (at + length + 10.0, y) if row else (at, y + 12.0)
    return "".join(parts)


def drawing(width: float, height: float, *parts: str) -> str:
    """Return a whole drawing without a ground, in the page's ink."""
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:g} {height:g}" width="{width:g}pt" '
        f'height="{height:g}pt" fill="currentColor" style="font: 9px system-ui, sans-serif">{"".join(parts)}</svg>'
    )
