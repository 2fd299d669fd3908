"""Masters of few frames: cosmic rays, offsets that are none, and edges that reading a sensor leaves."""

from __future__ import annotations

from pathlib import Path

import numpy as np
from wrong_cases.cases import Case, Make, night, run_words

from blend.files.fits import write_fits
from blend.files.reader import read_picture


def _changed(name: str, *, rays: int = 0, edge: float = 0.0, frames: int = 1, words: str = "") -> Make:
    """Put rays into a light of ``frames`` exposures, or add ``edge`` sigma to its first two columns."""

    def make(folder: Path) -> list[str]:
        target = night(folder, border="none")
        path = folder / f"{name}-light.fits"
        master = read_picture(path)
        pixels = master.pixels.copy()
        rng = np.random.default_rng(7)
        noise = float(np.median(np.abs(np.diff(pixels[0], axis=1)))) * 1.05
        for y, x in zip(rng.integers(5, 390, rays), rng.integers(5, 590, rays), strict=True):
            pixels[:, y, x : x + 8] += 60.0 * noise
        pixels[:, :, :2] += edge * noise
        names = master.planes if len(master.planes) == 3 else (name,)
        cards = {"NCOMBINE": frames, "EXPTIME": 300.0, "SATURATE": 1.0}
        write_fits(path, pixels, planes=names, cards=cards, rows=master.facts.rows)
        if words:
            text = target.read_text()
            target.write_text(text.replace(f"[masters.{name}]\n", f"[masters.{name}]\n{words}\n", 1))
        return run_words(target)

    return make


def _stack(bias: str) -> Make:
    def make(folder: Path) -> list[str]:
        draw = np.random.default_rng(1)
        for number in range(3):
            pixels = draw.normal(20_000.0, 100.0, (1, 60, 80)).astype(np.float32)
            write_fits(folder / f"f{number}.fits", pixels, planes=("grey",), cards={"SATURATE": 65535.0})
        frames = [f"f{number}.fits" for number in range(3)]
        return ["stack", "flat", *frames, "--bias", bias, "--out", "flat.fits", "--quiet"]

    return make


CASES = [
    Case(
        name="rays: many in a line's single frame",
        wrong=_changed("ha", rays=60),
        right=_changed("ha", rays=60, frames=20),
        warning="cosmic-rays",
    ),
    Case(
        name="rays: none in a single frame without any",
        wrong=_changed("rgb", rays=60),
        right=_changed("rgb", rays=0),
        warning="cosmic-rays",
    ),
    Case(
        name="edges: columns that do not go on the picture",
        wrong=_changed("ha", edge=3.0, frames=20),
        right=_changed("ha", frames=20),
        warning="reading-edge",
    ),
    Case(
        name="offset: a level above full scale in a target file",
        wrong=_changed("ha", frames=20, words="bias = 70000"),
        right=_changed("ha", frames=20, words="bias = 0"),
        code=3,
        says="where full scale is",
    ),
    Case(
        name="offset: a level below 0 in a target file",
        wrong=_changed("ha", frames=20, words="bias = -5"),
        right=_changed("ha", frames=20, words="bias = 0"),
        code=2,
        says="a level in counts of the light's file, 0 or more",
    ),
    Case(
        name="offset: more counts than full scale for a stack",
        wrong=_stack("70000"),
        right=_stack("671"),
        code=4,
        says="an offset from 0 to full scale",
        short=True,
    ),
]
