"""Run the commands of the manual whose output is printed behind them, and compare; or write the output anew.

    python docs/run.py [--write] [PAGE ...]

A block ``sh run`` is run in a folder that holds what its page needs; the ``text`` block behind it is what it prints, up
to seconds, memory and the last digit of numbers. A line ``...`` stands for any lines.
"""

from __future__ import annotations

import argparse
import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

PROJECT = Path(__file__).parent.parent
BLOCK = re.compile(
    r"^```sh run\n(.*?)^```\n\n(?:[^`\n][^\n]*\n)*\n?```text\n(.*?)^```", re.DOTALL | re.MULTILINE
)
VARIES = re.compile(r"\d+(\.\d+)? (s|MiB)\b")
NUMBER = re.compile(r"[-+]?\d+(?:\.\d+)?(?:e[-+]?\d+)?")


def pages() -> list[Path]:
    """Return README and the pages of the manual that have something to run."""
    found = [PROJECT / "README.md", *sorted((PROJECT / "docs").glob("*.md"))]
    return [page for page in found if BLOCK.search(page.read_text(encoding="utf-8"))]


def prepare(folder: Path) -> None:
    """Put the demonstration, three small nights and, where they are at hand, real frames into a folder."""
    run("blend demo --out demo", folder)
    code = (
        "from pathlib import Path\nfrom blend.app.demo import write_night\n"
        "from blend.science.simulated import SceneOptions, simulate_night\n"
        "for seed in range(3):\n"
        "    night = simulate_night(SceneOptions(rows=300, columns=420, seed=seed + 3))\n"
        "    path = write_night(night, Path('masters') / f't-{seed}')\n"
        "    text = path.read_text().replace('lantern-spiral', f't-{seed}')\n"
        "    path.with_name(f't-{seed}.target.toml').write_text(text)\n    path.unlink()\n"
    )
    subprocess.run([sys.executable, "-c", code], cwd=folder, check=True, env=environment())
    frames = Path(os.environ.get("BLEND_REAL_FRAMES", PROJECT.parent / "shared" / "data"))
    for number in (1, 2):
        frame = frames / "night" / f"spiral-hb-900s-{number}.fits"
        if frame.is_file():
            shutil.copy(frame, folder / f"spiral-hb-{number}.fits")


def environment() -> dict[str, str]:
    """Return the environment of the commands: this Python's programs first, a store of their own."""
    return {**os.environ, "PATH": f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}"}


def run(line: str, folder: Path) -> str:
    """Return what a command prints to standard output, and to standard error where it ends with a fault."""
    done = subprocess.run(line, shell=True, cwd=folder, capture_output=True, text=True, env=environment())
    return done.stdout + (done.stderr if done.returncode not in (0, 130) else "")


def alike(expected: str, printed: str) -> bool:
    """Return whether two outputs are the same up to seconds, memory and the last digit of numbers."""
    wanted, got = (VARIES.sub(r"# \2", text).strip().splitlines() for text in (expected, printed))
    place = 0
    for number, line in enumerate(wanted):
        if line.strip() == "...":
            if number + 1 == len(wanted):
                return True
            following = wanted[number + 1]
            while place < len(got) and not same_line(following, got[place]):
                place += 1
            continue
        if place >= len(got) or not same_line(line, got[place]):
            return False
        place += 1
    return place == len(got)


def same_line(one: str, other: str) -> bool:
    """Return whether two lines have the same words, and numbers that differ by 2 % or two of the last digit."""
    if " ".join(NUMBER.sub("0", one).split()) != " ".join(NUMBER.sub("0", other).split()):
        return False
    for a, b in zip(NUMBER.findall(one), NUMBER.findall(other), strict=True):
        digits = len(a.split("e")[0].split(".")[1]) if "." in a else 0
        if abs(float(a) - float(b)) > max(2.0 * 10.0**-digits if digits else 0.0, 0.02 * abs(float(a))):
            return False
    return True


def check(page: Path, folder: Path, *, write: bool) -> list[str]:
    """Return what of a page's outputs is no longer so, or write them anew."""
    text, faults = page.read_text(encoding="utf-8"), []
    for match in list(BLOCK.finditer(text)):
        lines = [line for line in match[1].replace("\\\n", " ").splitlines() if line.strip()]
        if "spiral-hb" in match[1] and not (folder / "spiral-hb-1.fits").is_file():
            continue
        printed = "".join(run(line, folder) for line in lines)
        if alike(match[2], printed):
            continue
        faults.append(f"{page.name}: {lines[-1]}\n--- the page\n{match[2]}--- now\n{printed}")
        if write and "\n...\n" not in f"\n{match[2]}":
            start = match.start(2) - match.start(0)
            new = match[0][:start] + printed.rstrip() + "\n" + match[0][start + len(match[2]) :]
            text = text.replace(match[0], new)
    if write:
        page.write_text(text, encoding="utf-8")
    return faults


def main() -> int:
    """Return 1 where an output is no longer so."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").split("\n")[0])
    parser.add_argument("--write", action="store_true", help="write the outputs anew")
    parser.add_argument("pages", nargs="*", type=Path)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory(prefix="manual-") as name:
        prepare(Path(name))
        faults = [
            fault
            for page in options.pages or pages()
            for fault in check(page.resolve(), Path(name), write=options.write)
        ]
    sys.stdout.write(("\n".join(faults) or "every output is as printed") + "\n")
    return int(bool(faults))


if __name__ == "__main__":
    sys.exit(main())
