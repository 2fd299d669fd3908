"""Noise reduction and stars by values that make no sense, beside such as do."""

from __future__ import annotations

from pathlib import Path

from wrong_cases.cases import Case, Make


def _finish(line: str) -> Make:
    """Return a check of a recipe with one line under ``[finish]``."""

    def make(folder: Path) -> list[str]:
        path = folder / "mine.toml"
        path.write_text(f'version = 1\nextends = "galaxy-moonlit"\n[finish]\n{line}\n', encoding="utf-8")
        return ["check", str(path)]

    return make


CASES = [
    Case(name=name, wrong=_finish(wrong), right=_finish(right), code=2, says=says)
    for name, wrong, right, says in (
        (
            "noise reduction that takes structure",
            "noise_sigma = 4",
            "noise_sigma = 1.5",
            "finish.noise_sigma",
        ),
        ("noise reduction in percent", "noise_sigma = 50", "noise_sigma = 0", "finish.noise_sigma"),
        ("stars smaller than pixels", "star_size = 0.1", "star_size = 0.5", "finish.star_size"),
        (
            "stars brighter than they are",
            "star_brightness = 1.5",
            "star_brightness = 1",
            "finish.star_brightness",
        ),
    )
]
