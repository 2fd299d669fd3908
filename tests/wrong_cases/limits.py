"""Limits: cards, numbers, keys and records that make no sense, and files that unpack to more than they should."""

from __future__ import annotations

import json
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import tifffile
from wrong_cases.cases import Case, Make, night, run_words

from blend.files.fits import write_fits


def _night_with(old: bytes, new: bytes) -> Make:
    """Return a maker of a night in whose H-alpha light a card is replaced."""

    def make(folder: Path) -> list[str]:
        target = night(folder)
        _replace_card(folder / "ha-light.fits", old, new)
        return run_words(target)

    return make


def _replace_card(path: Path, old: bytes, new: bytes) -> None:
    raw = path.read_bytes()
    place = raw.index(old.ljust(8) + b"=")
    path.write_bytes(raw[:place] + new.ljust(80) + raw[place + 80 :])


def _inspected(*, old: bytes = b"", new: bytes = b"", cards: int = 0) -> Make:
    def make(folder: Path) -> list[str]:
        path = folder / "ha.fits"
        pixels = np.random.default_rng(3).normal(0.1, 0.01, (60, 80)).astype(np.float32)
        write_fits(path, pixels, planes=("ha",), cards={"EXPTIME": 300.0})
        if old:
            _replace_card(path, old, new)
        raw = path.read_bytes()
        end = raw.index(b"END".ljust(80))
        head = raw[:end] + b"HISTORY once more".ljust(80) * cards + b"END".ljust(80)
        path.write_bytes(head.ljust(-(-len(head) // 2880) * 2880) + raw[-(-(end + 80) // 2880) * 2880 :])
        return ["inspect", str(path)]

    return make


def _tiff(*, size: int, jpeg: bool = False) -> Make:
    def make(folder: Path) -> list[str]:
        path = folder / "ha.tif"
        if jpeg:
            tifffile.imwrite(path, np.zeros((40, 60), np.uint8), compression="jpeg")
        else:
            form: dict[str, Any] = {"shape": (40, 60), "dtype": "u2", "photometric": "minisblack"}
            strip = zlib.compress(bytes(size))
            tifffile.imwrite(path, iter([strip]), compression="zlib", rowsperstrip=40, metadata=None, **form)
        return ["inspect", str(path)]

    return make


def _recipe(line: str) -> Make:
    def make(folder: Path) -> list[str]:
        (folder / "r.toml").write_text(f"version = 1\ntitle = 'r'\n{line}\n")
        return ["check", str(folder / "r.toml")]

    return make


def _record(**changes: object) -> Make:
    """Return a maker of a record one of whose inputs is changed; the right one's picture is merely not there."""

    def make(folder: Path) -> list[str]:
        entry = {"role": "rgb.light", "path": "rgb.fits", "sha256": "0" * 64, "bytes": 5} | changes
        record = {"version": 1, "target": "t", "recipe": {}, "setup": {"rgb": {}}, "outputs": []}
        (folder / "record.json").write_text(json.dumps({**record, "inputs": [entry]}))
        return ["replay", str(folder / "record.json")]

    return make


def _words(*words: str) -> Make:
    return lambda folder: list(words)


CASES = [
    Case(
        name="a decimal comma in a header card",
        wrong=_night_with(b"EXPTIME", b"EXPTIME =               1000,5"),
        right=_night_with(b"EXPTIME", b"EXPTIME =               1000.5"),
        warning="odd-card",
    ),
    Case(
        name="a bare NaN in a header card",
        wrong=_inspected(old=b"EXPTIME", new=b"EXPTIME =                  NaN"),
        right=_inspected(old=b"EXPTIME", new=b"EXPTIME =                300.0"),
        says="EXPTIME = NaN [odd-card]",
        short=True,
    ),
    Case(
        name="a width that is no number",
        wrong=_inspected(old=b"NAXIS1", new=b"NAXIS1  = 'abc'"),
        right=_inspected(old=b"NAXIS1", new=b"NAXIS1  =                   80"),
        code=3,
        says="its header card NAXIS1 is 'abc'; expected a whole number",
    ),
    Case(
        name="a header without end",
        wrong=_inspected(cards=101_000),
        right=_inspected(cards=1_000),
        code=3,
        says="more than 100000 cards",
    ),
    Case(
        name="a strip that unpacks to more than a strip",
        wrong=_tiff(size=10**8),
        right=_tiff(size=4800),
        code=3,
        says="it begins like TIFF but cannot be read",
    ),
    Case(
        name="a TIFF of JPEG strips",
        wrong=_tiff(size=0, jpeg=True),
        right=_tiff(size=4800),
        code=3,
        says="compressed as JPEG",
    ),
    Case(
        name="a number of 5000 digits",
        wrong=_recipe("[stretch]\nsky_level = " + "9" * 5000),
        right=_recipe("[stretch]\nsky_level = 0.1"),
        code=2,
        says="line 4: a word or number of 5000 characters",
        short=True,
    ),
    Case(
        name="a key of 40,000 parts",
        wrong=_recipe("a." * 40_000 + "a = 1"),
        right=_recipe("stretch.sky_level = 0.1"),
        code=2,
        says="a key of more than 30 parts",
    ),
    Case(
        name="a store of nan GiB",
        wrong=_words("try", "galaxy-moonlit", "none.toml", "--store-gib", "nan"),
        right=_words("try", "galaxy-moonlit", "none.toml", "--store-gib", "1"),
        code=2,
        right_code=2,
        says="nan is no finite number",
    ),
    *(
        Case(
            name=f"a record whose input has {what}",
            wrong=_record(**{key: value}),
            right=_record(),
            code=3,
            right_code=3,
            says=f"inputs[0].{key} is {says}",
        )
        for what, key, value, says in (
            ("no size", "bytes", "abc", "'abc'; expected the size of the file"),
            ("no path", "path", None, "missing; expected the path of a file"),
            ("no role", "role", "", "''; expected a master"),
            ("a path of 100,000 characters", "path", "x" * 100_000, "'xxx"),
        )
    ),
]
