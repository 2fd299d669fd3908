"""Real frames for `look.py`: a field of galaxies in three bands, a planetary nebula, a spiral in R and H-alpha."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Iterator
from pathlib import Path

from lookscenes import GALAXY, balanced_target
from realnight import stack_all

from blend.recipe.state import Work

EXAMPLES = Path(__file__).parents[2] / "examples"

NIGHT = """
name = "night"
[masters.rgb]
light = {red = "r.fits", green = "r.fits", blue = "r.fits"}
[masters.ha]
light = "ha.fits"
line_nm = 656.28
width_nm = 10
"""

SDSS = """
name = "sdss"
[masters.rgb]
light = {red = "sdss-i.fits", green = "sdss-r.fits", blue = "sdss-g.fits"}
"""

COLOUR_ALONE = """
version = 1
[balance]
white = "stars"
[stretch]
white = "target"
black_sigma = 3.7
[finish]
noise_sigma = 1.2
chroma_reduction = 0.95
green_limit = 0.7
contrast = 0.2
curve = [[0.15, 0.2]]
saturation = 1.4
"""


def real_works() -> Iterator[tuple[str, Work]]:
    """Yield the name and the balanced work of each real target that is at hand."""
    named = os.environ.get("BLEND_REAL_FRAMES")
    frames = Path(named) if named else Path(__file__).parents[3] / "shared" / "data"
    with tempfile.TemporaryDirectory(prefix="look-") as scratch:
        folder = Path(scratch)
        (folder / "frames").mkdir()
        for path in frames.glob("ou5-*.fits"):
            shutil.copy(path, folder / "frames")
        for path in frames.glob("sdss/*.fits"):
            shutil.copy(path, folder)
        if (folder / "sdss-i.fits").is_file():
            (folder / "sdss.toml").write_text(COLOUR_ALONE)
            yield (
                "sdss",
                balanced_target(_written(folder / "sdss.target.toml", SDSS), str(folder / "sdss.toml")),
            )
        if (folder / "frames" / "ou5-ha.fits").is_file():
            target = shutil.copy(EXAMPLES / "real-nebula.target.toml", folder)
            yield "ou5", balanced_target(Path(target), str(EXAMPLES / "real-nebula.toml"))
        if (frames / "night" / "spiral-ha-900s.fits").is_file():
            stack_all(frames / "night", folder)
            yield "night", balanced_target(_written(folder / "night.target.toml", NIGHT), GALAXY)


def _written(path: Path, text: str) -> Path:
    path.write_text(text)
    return path
