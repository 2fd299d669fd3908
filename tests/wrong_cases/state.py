"""A recipe's own formula that is taken for one that adds light, and is none."""

from __future__ import annotations

from pathlib import Path

from wrong_cases.cases import Case, Make


def _own(equation: str, domain: str = "linear") -> Make:
    """Return a maker of a recipe whose own formula has an automatic amount."""

    def make(folder: Path) -> list[str]:
        (folder / "r.toml").write_text(
            f'version = 1\n[formulas.mine]\ndomain = "{domain}"\nequation = "{equation}"\nneutral = "0"\n'
            '[blend.red]\ninto = "red"\nfrom = "ha.emission"\nformula = "mine"\namount = "auto"\n'
        )
        return ["check", str(folder / "r.toml")]

    return make


CASES = [
    Case(
        name="an automatic amount of a formula that adds twice the light",
        wrong=_own("base + 2 * amount * line"),
        right=_own("base + amount * line"),
        code=2,
        says="\"auto\" beside 'mine' into a plane",
        short=True,
    ),
    Case(
        name="an automatic amount of code values added up",
        wrong=_own("base + amount * line", "display"),
        right=_own("amount * line + base"),
        code=2,
        says="\"auto\" beside 'mine' into a plane",
    ),
]
