"""Bad input by the thousand: pictures, raws, catalogues, recipes, target files, records and store entries, broken.

    python tests/fuzz.py [--cases N] [--seed N] [--whole N]

Each case is opened in this process under a watchdog; a sample is given to whole processes. One seed always breaks the
same way; `tests/crafts.py` adds files that are broken on purpose. A case is a fault when anything but a plain answer or
a `BlendError` comes out, when it takes more than 10 s of processor time or three times in a row more than 10 s by the
clock, or more memory than twice the file and 512 MiB.
A damaged store entry must count as none, or be read as it was written. Prints the cases, the faults found, the longest
case and the largest growth of memory.
"""

from __future__ import annotations

import argparse
import json
import random
import resource
import signal
import subprocess
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from pathlib import Path

import numpy as np
from crafts import crafted
from hypothesis import HealthCheck, given, seed, settings
from hypothesis import strategies as st

from blend.app.run.load import open_recipe, open_target, shipped_recipes
from blend.app.run.replay import _target as target_of_record
from blend.base.errors import BlendError
from blend.files.catalogue import read_catalogue
from blend.files.fits import write_fits
from blend.files.raw import read_mosaic
from blend.files.reader import header_text, peek, read_picture
from blend.files.record import read_record
from blend.files.store import DiskStore
from blend.recipe.model import load_recipe
from blend.recipe.toml import to_toml

sys.path.insert(0, str(Path(__file__).resolve().parents[1] / "examples"))

from raw_camera import write_dng

LONGEST_S = 10.0
TRIES = 3
"""By the clock a case is slow too when the machine is busy or this process is paused: not three times in a row."""
SPARE = 512 * 2**20
CRAFTED = 0.15
"""So many of the cases are made by `crafts` rather than by chance."""
DOCUMENT = {"step": "balance", "gains": [1.5, 1.0, 1.25], "told": {"stars": 12}}
ARRAY = np.linspace(0.0, 1.0, 240, dtype=np.float32).reshape(3, 8, 10)
TOKENS = [
    *(b"-1 0 99999999999 1e400 nan inf ' [ ] { } = true \" 9**9**9 =1+1".split()),
    *(b"../../etc/passwd /etc/passwd <script>".split()),
    *(b"\x00", b"\x1b[31m", b"(" * 200, b"-" * 5000, b"\xff\xfe"),
]


class TooLong(BaseException):
    """The watchdog's bite; no `except Exception` may swallow it."""

    def __init__(self, *, clock: bool) -> None:
        super().__init__()
        self.clock = clock


def _bite(signum: int, frame: object) -> None:
    raise TooLong(clock=signum == signal.SIGALRM)


def mutate(data: bytes, dice: random.Random) -> bytes:
    """Return bytes with a few faults in them, most of them near the head, where meaning is dense."""
    made = bytearray(data)
    for _ in range(dice.choice((1, 1, 2, 4, 16))):
        if not made:
            break
        reach = len(made) if dice.random() < 0.4 else min(len(made), 3000)
        place = dice.randrange(reach)
        what = dice.randrange(7)
        if what == 0:
            made[place] ^= 1 << dice.randrange(8)
        elif what == 1:
            made[place] = dice.randrange(256)
        elif what == 2:
            del made[place:]
        elif what == 3:
            del made[place : place + dice.randrange(1, 100)]
        elif what == 4:
            token = dice.choice(TOKENS)
            made[place : place + (len(token) if dice.random() < 0.7 else 0)] = token
        elif what == 5:
            size = dice.choice((2, 4, 8))
            made[place : place + size] = dice.choice((b"\xff", b"\x00", b"\x7f")) * size
        else:
            other = dice.randrange(len(made))
            made[place:place] = made[other : other + dice.randrange(1, 300)]
    return bytes(made)


def picture(path: Path) -> None:
    """Open a picture every way that a run does."""
    peek(path)
    header_text(path)
    read_picture(path)


def record(path: Path) -> None:
    """Open a record as replaying it does."""
    told = read_record(path)
    load_recipe(to_toml(told["recipe"]), where=str(path))
    target_of_record(told, {e["role"]: Path(e["path"]) for e in told["inputs"]}, where=str(path))


def entry(path: Path) -> None:
    """Read a store entry of which one file is broken: none, or what was written."""
    found = DiskStore(path.parent.parent).load(path.parent.name)
    if found is not None:
        document, arrays = found
        assert document == DOCUMENT and list(arrays) == ["a"], "a damaged store entry was read"
        assert np.array_equal(arrays["a"], ARRAY), "a damaged array of a store entry was read"


Kind = tuple[bytes, str, Callable[[Path], object], list[str]]


def entries(folder: Path) -> dict[str, Kind]:
    """Return store entries to break: in one the document, in the other the array."""
    for key in ("document", "array"):
        DiskStore(folder / "store").save(key, DOCUMENT, {"a": ARRAY})
    head = Path("store/document/entry.json")
    array = Path("store/array/a.npy")
    return {
        "store entry": ((folder / head).read_bytes(), str(head), entry, []),
        "store array": ((folder / array).read_bytes(), str(array), entry, []),
    }


def masters(folder: Path) -> dict[str, Kind]:
    """Return what is broken: bytes, the file, what opens it, and the words of a whole process if it has one."""
    import tifffile

    pixels = np.random.default_rng(1).normal(0.1, 0.01, (3, 40, 60)).astype(np.float32)
    write_fits(folder / "a.fits", pixels, planes=("red", "green", "blue"), cards={"EXPTIME": 30.0})
    whole = (pixels * 60000).clip(0).astype(np.uint16).transpose(1, 2, 0)
    tifffile.imwrite(folder / "a.tif", whole, photometric="rgb", compression="zlib")
    write_dng(folder / "a.dng", whole[..., 0].copy(), pattern="RGGB", white=65535)
    target = 'name = "t"\n[masters.rgb]\nlight = "a.fits"\n[masters.ha]\nlight = "a.tif"\nwidth_nm = 7\n'
    (folder / "a.toml").write_text(target)
    stars = "# a field\nRA,Dec,B_V\n" + "".join(
        f"{9.9 + 0.1 * i:.5f},{40 + 0.01 * i},{0.05 * i}\n" for i in range(20)
    )
    recipe = next(iter(shipped_recipes().values())).read_bytes()
    recipe += b'\n[formulas.mine]\ndomain = "linear"\nequation = "base + amount * line"\nneutral = "0"\n'
    resolved = to_resolved()
    entry = {"path": "result.fits", "sha256": "0" * 64}
    inputs = [{"role": "rgb.light", "path": "a.fits", "sha256": "0" * 64, "bytes": 5}]
    told = {
        "version": 1,
        "target": "t",
        "recipe": resolved,
        "setup": {"rgb": {}},
        "inputs": inputs,
        "outputs": [entry],
    }
    return {
        "FITS": ((folder / "a.fits").read_bytes(), "x.fits", picture, ["inspect", "FILE"]),
        "TIFF": ((folder / "a.tif").read_bytes(), "x.tif", picture, ["inspect", "FILE"]),
        "DNG": ((folder / "a.dng").read_bytes(), "x.dng", read_mosaic, ["inspect", "FILE"]),
        "catalogue": (stars.encode(), "x.csv", read_catalogue, []),
        "recipe": (recipe, "x.toml", lambda path: open_recipe(str(path)), ["check", "FILE"]),
        "target": (target.encode(), "x.target.toml", open_target, ["check", "galaxy-moonlit", "FILE"]),
        "record": (json.dumps(told).encode(), "record.json", record, ["replay", "FILE"]),
        **entries(folder),
    }


def to_resolved() -> dict[str, object]:
    """Return a shipped recipe as a record holds it."""
    from blend.recipe.model import resolved

    return dict(resolved(open_recipe("galaxy-moonlit")))


def watched(opens: Callable[[Path], object], path: Path) -> None:
    """Open a file under both watchdogs."""
    signal.setitimer(signal.ITIMER_PROF, LONGEST_S)
    signal.setitimer(signal.ITIMER_REAL, LONGEST_S)
    try:
        opens(path)
    finally:
        signal.setitimer(signal.ITIMER_PROF, 0)
        signal.setitimer(signal.ITIMER_REAL, 0)


class Fuzzer:
    """The findings so far."""

    def __init__(self) -> None:
        self.cases, self.longest, self.largest = 0, 0.0, 0.0
        self.faults: list[str] = []

    def open(self, kind: str, opens: Callable[[Path], object], path: Path) -> None:
        """Open one case under the watchdog."""
        self.cases += 1
        before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        start = time.process_time()
        for left in reversed(range(TRIES)):
            try:
                watched(opens, path)
                break
            except BlendError as fault:
                if not fault.found or fault.exit_code not in (2, 3):
                    self.note(kind, f"an empty message or exit code {fault.exit_code}", path)
                break
            except TooLong as bite:
                if not bite.clock or left == 0:
                    by = "by the clock" if bite.clock else "of processor time"
                    self.note(kind, f"more than {LONGEST_S:g} s {by}", path)
                    break
            except Exception as fault:  # noqa: BLE001 - that is what is looked for
                self.note(kind, f"{type(fault).__name__}: {fault}", path)
                break
        self.longest = max(self.longest, time.process_time() - start)
        growth = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) * 1024
        self.largest = max(self.largest, growth / 2**20)
        if growth > 2 * path.stat().st_size + SPARE:
            self.note(kind, f"{growth / 2**20:.0f} MiB more", path)

    def note(self, kind: str, what: str, path: Path) -> None:
        """Keep a fault, and the case beside it."""
        kept = Path(tempfile.gettempdir()) / f"blend-fuzz-{kind}-{len(self.faults)}{path.suffix}"
        kept.write_bytes(path.read_bytes())
        self.faults.append(what)
        print(f"FAULT {kind}: {what[:300]} (kept as {kept})", flush=True)

    def whole(self, kind: str, words: list[str], path: Path) -> None:
        """Give one case to a whole process."""
        self.cases += 1
        command = [sys.executable, "-c", "from blend.app.cli import main; main()"]
        words = [str(path) if word == "FILE" else word for word in words]
        try:
            done = subprocess.run([*command, *words], capture_output=True, timeout=120, check=False)
        except subprocess.TimeoutExpired:
            self.note(kind, "a whole process hung", path)
            return
        said = done.stdout + done.stderr
        bad = b"Traceback" in said or b"\x1b" in said or done.returncode not in (0, 2, 3, 4)
        if bad:
            self.note(kind, f"{' '.join(words)}: {done.returncode}: {said[-300:]!r}", path)


def tables(fuzzer: Fuzzer, folder: Path, count: int, number: int) -> None:
    """Give tables of any shape to recipe and target file."""
    leaf = st.one_of(st.booleans(), st.integers(), st.floats(), st.text(max_size=30))
    key = st.sampled_from(
        ["blend", "stretch", "masters", "rgb", "ha", "light", "formulas", "equation", "set", "x y"]
    )
    tree = st.recursive(
        leaf, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(key, inner, max_size=4)
    )

    @seed(number)
    @settings(max_examples=count, deadline=None, database=None, suppress_health_check=list(HealthCheck))
    @given(st.dictionaries(key, tree, max_size=5))
    def give(values: dict[str, object]) -> None:
        try:
            text = to_toml({"version": 1, **values})
        except (TypeError, ValueError):
            return
        path = folder / "h.toml"
        path.write_text(text, encoding="utf-8", errors="replace")
        fuzzer.open("tables", lambda p: open_recipe(str(p)), path)
        fuzzer.open("tables", open_target, path)

    give()


def main() -> None:
    """Break, open, print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cases", type=int, default=20_000)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--whole", type=int, help="whole processes; default one in 200 cases")
    options = parser.parse_args()
    sample = options.cases // 200 if options.whole is None else options.whole
    warnings.simplefilter("ignore")
    signal.signal(signal.SIGPROF, _bite)
    signal.signal(signal.SIGALRM, _bite)
    fuzzer, dice = Fuzzer(), random.Random(options.seed)
    with tempfile.TemporaryDirectory(prefix="blend-fuzz-") as name:
        folder = Path(name)
        kinds = masters(folder)
        tables(fuzzer, folder, options.cases // 20, options.seed)
        names = list(kinds)
        for data, suffix, opens, _ in kinds.values():  # unbroken, each must open
            (folder / suffix).write_bytes(data)
            opens(folder / suffix)
        while fuzzer.cases < options.cases - sample:
            kind = names[fuzzer.cases % len(names)]
            data, suffix, opens, _ = kinds[kind]
            made = crafted(kind, data, dice) if dice.random() < CRAFTED else None
            (folder / suffix).write_bytes(mutate(data, dice) if made is None else made)
            fuzzer.open(kind, opens, folder / suffix)
        programs = [kind for kind in names if kinds[kind][3]]
        for number in range(sample):
            kind = programs[number % len(programs)]
            data, suffix, _, words = kinds[kind]
            made = crafted(kind, data, dice) if dice.random() < CRAFTED else None
            (folder / suffix).write_bytes(mutate(data, dice) if made is None else made)
            fuzzer.whole(kind, words, folder / suffix)
    print(
        f"fuzz: {fuzzer.cases} cases, {sample} of them whole processes; faults found {len(fuzzer.faults)}; "
        f"longest {1000.0 * fuzzer.longest:.1f} ms of processor time; largest memory {fuzzer.largest:.0f} MiB more"
    )
    raise SystemExit(1 if fuzzer.faults else 0)


if __name__ == "__main__":
    main()
