"""Wrong but plausible inputs: each is refused or named, and its right counterpart passes without a word.

    python tests/wrong.py [--short] [--only WORDS] [--sound N]

Every case of `tests/wrong_cases` is a pair. The wrong input must end with the exit code and the warning or the words
that the case names; the right one with its own exit code and none of the warnings that any case is there for.
``--sound`` runs as many sound and varied targets, which must neither stop nor bring such a warning; by default 50, in
the short form none. Prints a line a case that failed and the count of faults; exit code 1 where there are any.
"""

from __future__ import annotations

import argparse
import contextlib
import importlib
import io
import json
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from unittest import mock

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE))

from wrong_cases.cases import STORE, Case, Make  # noqa: E402

from blend.app.cli import commands as cli  # noqa: E402


@dataclass(frozen=True)
class Answer:
    """What one command came to."""

    code: int
    text: str
    warnings: frozenset[str]


def answer(make: Make) -> Answer:
    """Run one command in this process, in a folder of its own."""
    with tempfile.TemporaryDirectory(dir=STORE[0]) as name:
        folder = Path(name)
        words = make(folder)
        out, err = io.StringIO(), io.StringIO()
        argv = mock.patch.object(sys, "argv", ["blend", *words])
        with argv, contextlib.chdir(folder), contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            code = cli._run()
        record = folder / "out" / "record.json"
        told = json.loads(record.read_text())["warnings"] if record.is_file() else []
        return Answer(code, out.getvalue() + err.getvalue(), frozenset(entry["code"] for entry in told))


def faults_of(case: Case, accusing: frozenset[str]) -> Iterator[str]:
    """Yield in words what a case got wrong."""
    codes = case.code if isinstance(case.code, tuple) else (case.code,)
    wrong = answer(case.wrong)
    if wrong.code not in codes:
        yield f"wrong: exit {wrong.code}, expected {case.code}: {_short(wrong.text)}"
    if case.warning and wrong.code == 0 and case.warning not in wrong.warnings:
        yield f"wrong: no warning {case.warning!r} among {sorted(wrong.warnings)}"
    if case.says and case.says.casefold() not in wrong.text.casefold():
        yield f"wrong: nothing says {case.says!r}: {_short(wrong.text)}"
    right = answer(case.right)
    if right.code != case.right_code:
        yield f"right: exit {right.code}, expected {case.right_code}: {_short(right.text)}"
    if accused := right.warnings & accusing - set(case.true_of_right):
        yield f"right: accused of {sorted(accused)}: {_short(right.text)}"
    if case.says and case.says.casefold() in right.text.casefold():
        yield f"right: told {case.says!r}"


def _short(text: str) -> str:
    return " | ".join(text.split("\n"))[-400:]


def sound_faults(number: int, accusing: frozenset[str]) -> Iterator[str]:
    """Yield what was said against one of the sound and varied targets."""
    from wrong_cases.sound import sound_target

    given = answer(lambda folder: sound_target(folder, number))
    if given.code != 0:
        yield f"exit {given.code}: {_short(given.text)}"
    if given.warnings & accusing:
        yield f"accused of {sorted(given.warnings & accusing)}: {_short(given.text)}"


def all_cases() -> list[Case]:
    """Return the cases of every module of `wrong_cases`."""
    names = sorted(path.stem for path in (HERE / "wrong_cases").glob("*.py"))
    modules = [importlib.import_module(f"wrong_cases.{name}") for name in names]
    return [case for module in modules for case in getattr(module, "CASES", ())]


def main() -> int:
    """Run the cases that the command line asks for."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument(
        "--short", action="store_true", help="only the cases of the short form, no sound targets"
    )
    parser.add_argument("--only", default="", help="only cases whose name holds these words")
    parser.add_argument(
        "--sound", type=int, help="how many sound targets; default 50, or 0 with --short or --only"
    )
    options = parser.parse_args()
    cases = all_cases()
    accusing = frozenset(case.warning for case in cases if case.warning)
    chosen = [case for case in cases if options.only in case.name and (case.short or not options.short)]
    sound = options.sound if options.sound is not None else 0 if options.short or options.only else 50
    found, start = 0, time.perf_counter()
    with tempfile.TemporaryDirectory(prefix="wrong-") as store:
        STORE[:] = [Path(store)]
        jobs = [(case.name, faults_of(case, accusing)) for case in chosen]
        jobs += [(f"sound target {number}", sound_faults(number, accusing)) for number in range(sound)]
        for name, faults in jobs:
            for fault in faults:
                found += 1
                print(f"{name}: {fault}", flush=True)
    took = time.perf_counter() - start
    print(
        f"{len(chosen)} wrong inputs and their counterparts, {sound} sound targets, {took:.0f} s: faults {found}"
    )
    return int(found > 0)


if __name__ == "__main__":
    raise SystemExit(main())
