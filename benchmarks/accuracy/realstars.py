"""What is left of stars in the emission of the real frames, within 2 FWHM, beside 3 sigma or 1.5 % of a star's peak.

Run ``BLEND_REAL_FRAMES=FOLDER python benchmarks/accuracy/realstars.py [--picture OUT.png]``. The frames are named in
README.md, Real frames; the recipe is that of examples/. The picture shows crops at twice their size: red before the
blend, after it, and the emission.
"""

from __future__ import annotations

import argparse
import os
import shutil
import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.app.run.load import load_sources, open_recipe, open_target
from blend.base.master import Flag
from blend.recipe.pipeline import run_steps
from blend.recipe.state import Work

EXAMPLES = Path(__file__).parents[2] / "examples"
REACH_FWHM, SIGMAS, SHARE = 2.0, 3.0, 0.015
NEBULA_PX = 70
"""Half the side of the square in the middle that holds the nebula, whose own light is no residual."""

Floats = NDArray[np.float64]


def blend_real(frames: Path, *, recipe: str | Path, settings: tuple[str, ...] = ()) -> dict[str, Work]:
    """Return the work after every step of a recipe on the real frames."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "frames").mkdir()
        for path in frames.glob("ou5-*.fits"):
            shutil.copy(path, folder / "frames" / path.name)
        target = open_target(Path(shutil.copy(EXAMPLES / "real-nebula.target.toml", folder)))
        chosen = open_recipe(str(recipe), settings=settings, target=target)
        loaded = load_sources(target)
        return dict(run_steps(Work(recipe=chosen, target=target, sources=loaded.sources)))


def star_residuals(work: Work) -> tuple[Floats, Floats, Floats]:
    """Return places (n, 2), what is left in the emission within 2 FWHM, and the bar, (n,) each, of unsaturated stars.

    The bar is the larger of 3 sigma of a pixel of the emission and 1.5 % of the star's peak in the broad plane. What is
    left is the largest pixel; where the circle meets the nebula, whose light is no residual, the largest step of the
    median along circles a pixel apart, from that around the star. Stars on the nebula's bright middle are left out.
    """
    from scipy.ndimage import label

    line, stars = work.lines["ha"], work.stars
    assert line.emission is not None and stars is not None
    emission = np.nan_to_num(line.emission).astype(np.float64)
    reach = REACH_FWHM * max(work.fwhm_px["rgb"], work.fwhm_px["ha"])
    size = np.array(emission.shape[::-1])
    parts = label(emission > 0)[0]
    nebula = parts == parts[size[1] // 2, size[0] // 2]
    saturated = (work.masters["ha"].flags | work.rgb.flags) & np.uint8(Flag.SATURATED | Flag.NO_DATA)
    beside = np.abs(stars.xy - 0.5 * size).max(axis=1) > NEBULA_PX
    inside = ((stars.xy > reach) & (stars.xy < size - reach)).all(axis=1)
    y, x = np.mgrid[: size[1], : size[0]]
    kept, found, bars = [], [], []
    for at in stars.xy[beside & inside]:
        away = np.hypot(x - at[0], y - at[1])
        near = away <= reach
        if saturated[near].any():
            continue
        kept.append(at)
        left = _steps(emission, away, reach) if nebula[near].any() else float(emission[near].max())
        found.append(left)
        bars.append(max(SIGMAS * line.sigma, SHARE * float(work.rgb.plane(line.broad)[away <= 1.5].max())))
    return np.array(kept), np.array(found), np.array(bars)


def _steps(emission: Floats, away: Floats, reach: float) -> float:
    around = float(np.median(emission[(away > reach) & (away <= 1.5 * reach)]))
    circles = [np.median(emission[np.abs(away - radius) <= 1.0]) for radius in np.arange(0.0, reach)]
    return float(np.abs(np.array(circles) - around).max())


def draw(states: dict[str, Work], xy: Floats, out: Path) -> None:
    """Write crops of 60 px around places, at twice their size: red before and after the blend, and the emission."""
    from PIL import Image

    balanced, linear = states["balance"], states["linear-blends"]
    assert linear.linear is not None
    planes = [balanced.rgb.pixels[0], linear.linear[0], balanced.lines["ha"].emission]
    sigma = 60.0 * balanced.lines["ha"].sigma
    rows = []
    for at in xy:
        x, y = (int(np.clip(round(v), 30, 369)) for v in at)
        crops = [
            np.nan_to_num(plane[y - 30 : y + 30, x - 30 : x + 30]) for plane in planes if plane is not None
        ]
        values = [np.arcsinh(np.clip(crop / sigma, -0.05, None) * 20) / np.arcsinh(20 * 5) for crop in crops]
        rows.append(np.concatenate([np.pad(v, 1, constant_values=1.0) for v in values], axis=1))
    sheet = np.clip(np.concatenate(rows) * 235 + 12, 0, 255).astype(np.uint8)
    Image.fromarray(sheet.repeat(2, axis=0).repeat(2, axis=1)).save(out)


def main(arguments: list[str]) -> int:
    """Print every star that misses and the summary; return 1 where one does."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--picture", type=Path)
    parser.add_argument("--recipe", default=EXAMPLES / "real-nebula.toml")
    parser.add_argument("--set", dest="settings", action="append", default=[], metavar="KEY=VALUE")
    words: Any = parser.parse_args(arguments)
    folder = os.environ.get("BLEND_REAL_FRAMES")
    if not folder:
        print("BLEND_REAL_FRAMES names no folder: nothing was measured")
        return 0
    states = blend_real(Path(folder), recipe=words.recipe, settings=tuple(words.settings))
    xy, found, bars = star_residuals(states["balance"])
    order = np.argsort(-found / bars)
    for k in order:
        if found[k] > bars[k]:
            print(
                f"  star at {xy[k, 0]:.0f}, {xy[k, 1]:.0f}: {found[k]:.3g} by a bar of {bars[k]:.3g}   MISSED"
            )
    share = f"{int((found > 0).sum())} hold any emission, the worst {np.max(found / bars):.2f} of its bar"
    print(f"{len(xy)} stars beside the nebula, {int((found > bars).sum())} miss their bar; {share}")
    if words.picture:
        draw(states, np.concatenate([[[200.0, 200.0]], xy[order[:3]], xy[:3]]), words.picture)
    return int((found > bars).any())


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
