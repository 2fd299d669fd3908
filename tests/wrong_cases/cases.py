"""What a case of `tests/wrong.py` is made of, and the small nights that cases spoil."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from blend.app.demo.demo import write_night
from blend.science.simulated.night import SceneOptions, simulate_night

Make = Callable[[Path], list[str]]
"""Puts files into an empty folder and returns the words behind ``blend``."""

SMALL = {"rows": 400, "columns": 600, "calibrated": True}


@dataclass(frozen=True, kw_only=True)
class Case:
    """A wrong input and its right counterpart.

    Parameters
    ----------
    name : str
        What is wrong, in a few words.
    wrong, right : callable
        Each makes its files in an empty folder and returns the words of the command line behind ``blend``. Commands
        that leave a record write it to ``out`` inside that folder (``--out``).
    code : int or tuple of int
        Exit code of the wrong one; a tuple where several are fine.
    warning : str
        Code of the warning that the wrong one's record must hold, and that of no right one may.
    says : str
        Words that the wrong one prints (any case, either stream) and its right counterpart does not.
    right_code : int
        Exit code of the right one.
    true_of_right : tuple of str
        Codes of warnings that are true of the right one: a star cluster has no line light.
    short : bool
        Part of the short form, which every run of the tests does.
    """

    name: str
    wrong: Make
    right: Make
    code: int | tuple[int, ...] = 0
    warning: str = ""
    says: str = ""
    right_code: int = 0
    true_of_right: tuple[str, ...] = ()
    short: bool = False

    def __post_init__(self) -> None:
        assert self.warning or self.says, f"{self.name}: what shall the answer be?"


def night(folder: Path, **options: Any) -> Path:
    """Draw a small night into ``folder``; return its target file. Equal options are drawn once."""
    drawn = _drawn(tuple(sorted({**SMALL, **options}.items())))
    shutil.copytree(drawn, folder, dirs_exist_ok=True)
    return next(folder.glob("*.target.toml"))


@cache
def _drawn(options: tuple[tuple[str, Any], ...]) -> Path:
    folder = Path(tempfile.mkdtemp(prefix="night-", dir=STORE[0]))
    write_night(simulate_night(SceneOptions(**dict(options))), folder)
    return folder


STORE: list[Path] = []
"""Where nights are kept for one run of the driver, which names the folder and removes it."""


def run_words(target: Path, *words: str, recipe: str = "galaxy-moonlit") -> list[str]:
    """Return the words that run a recipe on a target file, into ``out`` beside it."""
    return ["run", recipe, str(target), "--out", str(target.parent / "out"), "--quiet", *words]
