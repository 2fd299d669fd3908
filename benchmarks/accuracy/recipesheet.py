"""One sheet of pictures: every shipped recipe on invented scenes and on the real frames.

Run ``python benchmarks/accuracy/recipesheet.py OUT.png [--rows 600]``. Rows are the first
recipe's picture without lines, then the recipes by name; columns are the real frames where BLEND_REAL_FRAMES names
their folder, a galaxy, a nebula, and a cluster without any line. The invented [O III] and [S II] are
other cameras' views of the same line. Of the real frames there is no [S II], and no tile with three lines.
"""

from __future__ import annotations

import argparse
import os
import shutil
import sys
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np
from PIL import Image

from blend.app.demo.demo import write_night
from blend.app.run.load import load_sources, open_recipe, open_target, shipped_recipes
from blend.base.shrink import shrink
from blend.files.fits import write_fits
from blend.recipe.pipeline import PICTURE_STEPS, STEPS, run_all
from blend.recipe.state import Plane, Work
from blend.science.simulated.night import SceneOptions, simulate_night
from blend.science.simulated.scene import Kind

EXAMPLES = Path(__file__).parents[2] / "examples"
EARLY = STEPS[: -len(PICTURE_STEPS)]
TILE = (300, 450)
SCENES: tuple[Kind, ...] = ("spiral", "nebula", "cluster")
REAL = (
    "gradient.degree=1",
    "gradient.guide=none",
    "continuum.ha.line_in_band=false",
    "continuum.oiii.line_in_band=false",
)
"""What the real frames ask of any recipe: their continuum is a filter beside the line, and their sky a plane."""


def invented(kind: Kind, folder: Path, rows: int) -> Path:
    """Draw a night with three lines and return its target file."""
    options = SceneOptions(rows=rows, columns=rows * 3 // 2, seed=7, kind=kind)
    night = simulate_night(options)
    target = first = write_night(night, folder)
    for line, wavelength_nm, noise_seed in (("oiii", 500.7, 8), ("sii", 672.4, 9)):
        if line == "sii":
            # Masks of objects come from all masters: recipes that know no [S II] are shown as without its master.
            target = Path(shutil.copy(target, folder / "three-lines.target.toml"))
        again = simulate_night(replace(options, noise_seed=noise_seed)).ha
        table = ["", f"[masters.{line}]", f"line_nm = {wavelength_nm}", "width_nm = 7"]
        for kind_of in ("light", "dark", "flat", "bias"):
            pixels, file = getattr(again, kind_of), f"{line}-{kind_of}.fits"
            if pixels is not None:
                write_fits(folder / file, pixels, planes=(line,), cards={"SATURATE": 1.0}, wcs=None)
                table.append(f'{kind_of} = "{file}"')
        target.write_text(target.read_text(encoding="utf-8") + "\n".join(table) + "\n", encoding="utf-8")
    return first


def real(frames: Path, folder: Path) -> Path:
    """Copy the real frames and return a target file for them that has [O III] as a line, too."""
    (folder / "frames").mkdir(parents=True)
    for path in frames.glob("ou5-*.fits"):
        shutil.copy(path, folder / "frames" / path.name)
    target = Path(shutil.copy(EXAMPLES / "real-nebula.target.toml", folder))
    oiii = '\n[masters.oiii]\nlight = "frames/ou5-oiii.fits"\nline_nm = 500.7\nwidth_nm = 3.5\n'
    text = target.read_text(encoding="utf-8").replace("ou5-oiii.fits", "ou5-heii.fits")
    target.write_text(text + oiii, encoding="utf-8")
    return target


def pictures(target_file: Path, recipe: str, *, real_frames: bool) -> tuple[Plane, Plane]:
    """Return a recipe's picture without its lines and with them, upright, as small as a tile."""
    target = open_target(target_file)
    chosen = open_recipe(recipe, settings=REAL if real_frames else (), target=target)
    before = run_all(Work(recipe=chosen, target=target, sources=load_sources(target).sources), steps=EARLY)
    bare = before.with_(recipe=chosen.model_copy(update={"blend": {}}))
    return small(run_all(bare, steps=PICTURE_STEPS)), small(run_all(before, steps=PICTURE_STEPS))


def small(work: Work) -> Plane:
    """Return the finished picture's means over whole pixels, upright."""
    assert work.display is not None
    display = np.nan_to_num(work.display[:, ::-1])
    return shrink(np.ascontiguousarray(display), max(1, round(display.shape[1] / TILE[0])))


def framed(tile: Plane) -> Plane:
    """Return a tile cut or padded to one size, with a rim."""
    rows, columns = TILE
    tile = tile[:, :rows, :columns]
    short = [(0, 0), (0, rows - tile.shape[1]), (0, columns - tile.shape[2])]
    return np.pad(np.pad(tile, short), ((0, 0), (2, 2), (2, 2)), constant_values=0.5)


def main(arguments: list[str]) -> int:
    """Write the sheet."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("out", type=Path)
    parser.add_argument("--rows", type=int, default=600)
    words = parser.parse_args(arguments)
    frames = os.environ.get("BLEND_REAL_FRAMES")
    columns = []
    with tempfile.TemporaryDirectory() as name:
        targets = [(real(Path(frames), Path(name) / "real"), True)] if frames else []
        targets += [(invented(kind, Path(name) / kind, words.rows), False) for kind in SCENES]
        for target, is_real in targets:
            made: list[Plane] = []
            for recipe in sorted(shipped_recipes()):
                print(target.parent.name, recipe, flush=True)
                if is_real and recipe == "three-lines":
                    made.append(framed(np.zeros((3, 1, 1), dtype=np.float32)))
                    continue
                own = target.parent / f"{recipe}.target.toml"
                bare, done = pictures(own if own.is_file() else target, recipe, real_frames=is_real)
                made += [framed(done)] if made else [framed(bare), framed(done)]
            columns.append(np.concatenate(made, axis=1))
            sheet = np.rint(255 * np.concatenate(columns, axis=2).transpose(1, 2, 0)).astype(np.uint8)
            Image.fromarray(sheet).save(words.out)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
