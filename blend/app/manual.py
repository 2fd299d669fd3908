"""What the command line says about formulas and stretch curves."""

from __future__ import annotations

import textwrap

from blend.science.formulas import FORMULAS
from blend.science.stretch import CURVES

WIDTH = 96


def formula_table() -> str:
    """Return all formulas and curves, a line each."""
    wide = max(len(name) for name in FORMULAS)
    lines = ["Blend formulas (blend formulas NAME tells all about one):"]
    lines += [f"  {f.name:<{wide}}  {f.domain:<7}  {f.equation}" for f in FORMULAS.values()]
    lines += [
        "",
        "base: the plane or luminance that is changed   line: the line's light   sky: the sky's level",
    ]
    lines += [
        "amount: opacity, out = base + amount * (formula - base), unless the equation names it itself",
        "",
    ]
    lines.append("Stretch curves (x: 0 at black, 1 at white):")
    lines += [f"  {c.name:<{wide}}  {c.equation}" for c in CURVES.values()]
    return "\n".join(lines)


def formula_page(name: str) -> str:
    """Return everything about one formula or curve.

    Raises
    ------
    RecipeError
        No formula or curve has that name.
    """
    if name in CURVES and name not in FORMULAS:
        curve = CURVES[name]
        return _page(
            curve.name, [("equation", curve.equation), ("about", curve.about), ("source", curve.source)]
        )
    formula = FORMULAS.find(name, where="formulas")
    rows = [
        ("equation", formula.equation),
        ("domain", formula.domain),
        ("neutral", f"{formula.neutral}   (the value of line that leaves a sky pixel as it is)"),
        ("range", formula.range),
        ("noise", formula.noise),
        ("about", formula.about),
        ("source", formula.source),
    ]
    return _page(formula.name, rows)


def _page(title: str, rows: list[tuple[str, str]]) -> str:
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
    return "\n".join(lines)
