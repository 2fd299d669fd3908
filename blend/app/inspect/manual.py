"""What the command line and the catalogue say about formulas and stretch curves, from the entries themselves.

``python -m blend.app.inspect.manual`` writes the catalogue, ``recipes/FORMULAS.md``.
"""

from __future__ import annotations

import math
import sys
import textwrap
from pathlib import Path

import numpy as np

from blend.science.picture import CURVES, FORMULAS, Curve, Example, Formula, evaluate_formula, sky_statistics

WIDTH = 96
PLOT_ROWS, PLOT_COLUMNS = 12, 61
SKY, SIGMA = 0.10, 0.02
"""Level and noise of the sky that the catalogue's numbers and plots are made for."""

MARKS = "abc"
_NAMES = (
    "base: the plane or luminance that is changed   line: the line's light   sky: the sky's level",
    "amount: opacity, out = base + amount * (formula - base), unless the equation names it itself",
)


def formula_table() -> str:
    """Return all formulas and curves, a line each."""
    wide = max(len(name) for name in FORMULAS)
    lines = ["Blend formulas (blend formulas NAME prints all of one):"]
    lines += [f"  {f.name:<{wide}}  {f.domain:<7}  {f.equation}" for f in FORMULAS.values()]
    lines += ["", *_NAMES, "", "Stretch curves (x: 0 at black, 1 at white):"]
    lines += [f"  {c.name:<{wide}}  {c.equation}" for c in CURVES.values()]
    return "\n".join(lines)


def formula_page(name: str) -> str:
    """Return everything about one formula or curve, with its response drawn in text.

    Raises
    ------
    RecipeError
        No formula or curve has that name.
    """
    if name in CURVES and name not in FORMULAS:
        curve = CURVES[name]
        return _page(curve.name, _curve_rows(curve), curve_plot(curve))
    formula = FORMULAS.find(name, where="formulas")
    return _page(formula.name, _formula_rows(formula), formula_plot(formula))


def _formula_rows(formula: Formula) -> list[tuple[str, str]]:
    params = ", ".join(f"{key} = {value:g}" for key, value in formula.params.items())
    return [
        ("equation", formula.equation),
        ("domain", f"{formula.domain}   ({_DOMAINS[formula.domain]})"),
        ("params", params),
        ("neutral", f"{formula.neutral}   (the value of line that leaves a sky pixel as it is)"),
        ("range", formula.range),
        ("noise", formula.noise),
        ("sky", _sky_sentence(formula)),
        *(("number", _number(example)) for example in formula.examples),
        ("about", formula.about),
        ("source", formula.source),
    ]


_DOMAINS = {
    "linear": "fractions of full scale, sky 0, before the stretch",
    "display": "sRGB code values, 0 to 1, after it",
}


def _sky_sentence(formula: Formula) -> str:
    """Say what the closed forms give for two equal noises at the catalogue's sky; empty where there is none."""
    sky = 0.0 if formula.domain == "linear" else SKY
    noise, lift = sky_statistics(formula, sky=sky, base_sigma=SIGMA, line_sigma=SIGMA)
    if math.isnan(noise):
        return ""
    lifted = f"its mean rises by {lift / SIGMA:.3f} sigma" if lift else "its mean stays"
    return f"of two equal noises sigma at a sky of {sky:g}: noise {noise / SIGMA:.3f} sigma, {lifted}"


def _number(example: Example) -> str:
    given = ", ".join(f"{key} = {value:g}" for key, value in example.values.items())
    return f"{given}   gives {example.result:g}"


def _curve_rows(curve: Curve) -> list[tuple[str, str]]:
    x, parameter, y = curve.example
    given = f"x = {x:g}" + (f", {curve.parameter} = {parameter:g}" if curve.parameter else "")
    return [
        ("equation", curve.equation),
        ("domain", "x from 0 at black to 1 at white; y is a display value"),
        (
            "params",
            f"{curve.parameter}, solved so that the sky lands where it should" if curve.parameter else "",
        ),
        ("number", f"{given}   gives {y:g}"),
        ("about", curve.about),
        ("source", curve.source),
    ]


def _page(title: str, rows: list[tuple[str, str]], plot: str) -> str:
    lines = [title]
    for label, text in rows:
        if text:
            lines += textwrap.wrap(
                text,
                WIDTH,
                initial_indent=f"  {label:<9}",
                subsequent_indent=" " * 11,
                break_long_words=False,
            )
    return "\n".join([*lines, "", *(f"  {line}".rstrip() for line in plot.splitlines())])


# --- drawings in text ---------------------------------------------------------------------------------------


def formula_plot(formula: Formula) -> str:
    """Return a formula's value over base, for three values of line, at the catalogue's sky and noise."""
    sky = 0.0 if formula.domain == "linear" else SKY
    lines = (0.1, 0.3, 0.6) if formula.domain == "linear" else (0.2, 0.5, 0.8)
    bases = np.linspace(0.0, 1.0, PLOT_COLUMNS)

    def respond(line: float) -> list[float]:
        values = evaluate_formula(
            formula,
            bases[None],
            np.full((1, PLOT_COLUMNS), line),
            sky=sky,
            base_sigma=SIGMA,
            line_sigma=SIGMA,
        )
        return [float(value) for value in values[0]]

    legend = "   ".join(f"{mark}: line {line:g}" for mark, line in zip(MARKS, lines, strict=True))
    if "base_sigma" in formula.parsed.names or "line_sigma" in formula.parsed.names:
        legend += f"   noise of both {SIGMA:g}"
    return _plot([respond(line) for line in lines], across="base", legend=f"{legend}   .: base itself")


def curve_plot(curve: Curve) -> str:
    """Return a stretch curve's y over x, for its worked number's parameter and a fifth and five times of it."""
    x = np.linspace(0.0, 1.0, PLOT_COLUMNS)
    if not curve.parameter:
        return _plot([list(curve.value(x, 0.0))], across="x", legend="a: the curve   .: x itself")
    middle = curve.example[1]
    parameters = [middle / 5.0, middle, middle * 5.0]
    if not curve.bracket[0] <= parameters[0] < parameters[-1] <= (curve.bracket[1] or math.inf):
        parameters = [middle]
    legend = "   ".join(
        f"{mark}: {curve.parameter} {value:.3g}" for mark, value in zip(MARKS, parameters, strict=False)
    )
    drawn = [[float(value) for value in curve.value(x, parameter)] for parameter in parameters]
    return _plot(drawn, across="x", legend=f"{legend}   .: x itself")


def _plot(curves: list[list[float]], *, across: str, legend: str) -> str:
    """Return curves over 0 to 1, a mark each, on a grid of `PLOT_ROWS` lines with both axes labelled."""
    top = max(1.0, math.ceil(10.0 * max(max(curve) for curve in curves) - 1e-6) / 10.0)
    rows = [[" "] * PLOT_COLUMNS for _ in range(PLOT_ROWS)]

    def place(value: float) -> int:
        return min(max(round((1.0 - value / top) * (PLOT_ROWS - 1)), 0), PLOT_ROWS - 1)

    for column in range(PLOT_COLUMNS):
        rows[place(column / (PLOT_COLUMNS - 1))][column] = "."
    for mark, curve in zip(MARKS, curves, strict=False):
        for column, value in enumerate(curve):
            rows[place(value)][column] = mark
    labels = {0: f"{top:.1f}", place(top / 2): f"{top / 2:.2f}".rstrip("0"), PLOT_ROWS - 1: "0.0"}
    lines = ["result"]
    lines += [f"{labels.get(n, ''):>4} |" + "".join(row).rstrip() for n, row in enumerate(rows)]
    lines.append("     +" + "-" * PLOT_COLUMNS)
    half = PLOT_COLUMNS // 2
    lines.append(f"     0.0{'0.5':>{half - 1}}{f'{across}  1.0':>{PLOT_COLUMNS - half - 1}}")
    return "\n".join([*lines, f"     {legend}"])


# --- the catalogue ------------------------------------------------------------------------------------------


def catalogue() -> str:
    """Return the text of ``recipes/FORMULAS.md``."""
    parts = [
        "# Formulas and curves",
        "Generated from the entries that the program computes with, by `python -m blend.app.inspect.manual`; a "
        "test keeps it current. `blend formulas NAME` shows the same in a terminal. A recipe may define its own under "
        "`[formulas.NAME]`.",
        "\n".join(f"- {text}" for text in _NAMES),
        f"Numbers and drawings are for a sky of {SKY:g} (0 in the linear domain) and opacity 1. Noise is that of one "
        "pixel, Gaussian and independent in base and line.",
        "## Blend formulas",
        *(_section(f.name, f.equation, _formula_rows(f)[1:], formula_plot(f)) for f in FORMULAS.values()),
        "## Stretch curves",
        *(_section(c.name, c.equation, _curve_rows(c)[1:], curve_plot(c)) for c in CURVES.values()),
    ]
    return "\n\n".join(parts) + "\n"


def _section(name: str, equation: str, rows: list[tuple[str, str]], plot: str) -> str:
    facts = "\n".join(f"- **{label}**: {_escaped(text)}" for label, text in rows if text)
    return f"### {name}\n\n```\n{equation}\n```\n\n{facts}\n\n```\n{plot}\n```"


def _escaped(text: str) -> str:
    for sign in "*_":
        text = text.replace(sign, f"\\{sign}")
    return " ".join(text.split())


def main() -> None:
    """Write the catalogue beside the recipes, or into the file named on the command line."""
    named = sys.argv[1:]
    path = Path(named[0]) if named else Path(__file__).parents[3] / "recipes" / "FORMULAS.md"
    path.write_text(catalogue(), encoding="utf-8")


if __name__ == "__main__":
    main()
