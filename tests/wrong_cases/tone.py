"""Looks and parents of recipes that cannot be, beside such as can."""

from __future__ import annotations

from pathlib import Path

from wrong_cases.cases import Case, Make


def _recipe(text: str, **beside: str) -> Make:
    """Return a check of a recipe of one's own, with others beside it."""

    def make(folder: Path) -> list[str]:
        for name, words in {"mine": text, **beside}.items():
            (folder / f"{name}.toml").write_text(words, encoding="utf-8")
        return ["check", str(folder / "mine.toml")]

    return make


def _curve(points: str) -> Make:
    return _recipe(f'version = 1\nextends = "galaxy-moonlit"\n[finish]\ncurve = {points}\n')


CASES = [
    Case(
        name=f"a curve of the luminance that {what}",
        wrong=_curve(points),
        right=_curve("[[0.2, 0.3], [0.6, 0.7]]"),
        code=2,
        says="points [x, y] that rise in both between 0 (the sky) and 1 (white)",
        short=what == "falls",
    )
    for what, points in (
        ("falls", "[[0.3, 0.5], [0.6, 0.4]]"),
        ("moves the sky", "[[0.0, 0.1]]"),
        ("drives faint light into the sky", "[[0.5, 0.1]]"),
        ("is in percent", "[[20, 30]]"),
    )
] + [
    Case(
        name="recipes that extend one another",
        wrong=_recipe('extends = "b.toml"', b='extends = "mine.toml"'),
        right=_recipe('extends = "b.toml"', b='extends = "galaxy-moonlit"'),
        code=2,
        says="a circle: ",
    ),
    Case(
        name="a parent whose name is mistyped",
        wrong=_recipe('extends = "galaxy-moonlight"'),
        right=_recipe('extends = "galaxy-moonlit"'),
        code=2,
        says="no shipped recipe of that name: galaxy-moonlight",
    ),
    Case(
        name="a white in percent of full scale",
        wrong=_recipe('extends = "galaxy-moonlit"\n[stretch]\nwhite = 1e6'),
        right=_recipe('extends = "galaxy-moonlit"\n[stretch]\nwhite = 0.5'),
        code=2,
        says="saturation, target, or a linear level above 0",
    ),
    Case(
        name="a white of a line's own",
        wrong=_recipe('extends = "galaxy-moonlit"\n[stretch.ha]\nwhite = "target"'),
        right=_recipe('extends = "galaxy-moonlit"\n[stretch.ha]\nsky_level = 0.05'),
        code=2,
        says="it holds for the whole run",
    ),
]
