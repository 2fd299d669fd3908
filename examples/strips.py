"""Every knob of the look in a strip of five pictures, as docs/picture.md shows them.

    python examples/strips.py examples/pictures

Two nights are invented, a clear one and a noisy one. `blend.try_variants` makes five tiles of each knob; the one with
the recipe's own value has a frame. Names of keys behind the folder make only these strips.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path
from typing import Any

import numpy as np
from PIL import Image

import blend
from blend.app.demo.demo import write_night
from blend.pages.sheet import draw_sheet
from blend.science.simulated import SceneOptions, simulate_night

NIGHTS: dict[str, dict[str, Any]] = {
    "clear": {"stars_per_mpx": 3000.0},
    "noisy": {"rgb_frames": 4, "ha_frames": 8},
}

# The night, the five values, and whether a part is shown twice as large.
KNOBS: dict[str, tuple[str, list[Any], bool]] = {
    "stretch.white_level": ("clear", [0.55, 0.65, 0.75, 0.85, 0.95], False),
    "stretch.sky_level": ("clear", [0.04, 0.07, 0.1, 0.14, 0.18], False),
    "finish.contrast": ("clear", [-0.4, 0.0, 0.2, 0.5, 0.9], False),
    "finish.curve": (
        "clear",
        [[[0.15, 0.08]], [], [[0.15, 0.2]], [[0.15, 0.28]], [[0.15, 0.2], [0.5, 0.4]]],
        False,
    ),
    "finish.saturation": ("clear", [0.0, 0.7, 1.0, 1.4, 2.4], False),
    "blend.red.amount": ("clear", [0.0, 0.5, 1.0, 1.5, 2.0], True),
    "blend.red.into_other_planes": (
        "clear",
        [
            "none",
            {"blue": 0.15, "green": 0.05},
            {"blue": 0.3, "green": 0.05},
            {"blue": 0.5, "green": 0.1},
            {"blue": 0.1, "green": 0.3},
        ],
        True,
    ),
    "finish.noise_sigma": ("noisy", [0.0, 0.6, 0.9, 1.2, 1.5], True),
    "finish.chroma_reduction": ("noisy", [0.0, 0.3, 0.6, 0.8, 0.95], True),
    "finish.star_size": ("clear", [1.0, 0.9, 0.8, 0.65, 0.5], False),
    "finish.star_brightness": ("clear", [1.0, 0.9, 0.8, 0.65, 0.5], False),
}

ROWS, COLUMNS = 500, 750
WHOLE, PART = "265,190,208,140", "330,200,130,86"


def main() -> None:
    """Draw the nights and write the strips."""
    out, wanted = Path(sys.argv[1]), set(sys.argv[2:]) or set(KNOBS)
    out.mkdir(parents=True, exist_ok=True)
    with tempfile.TemporaryDirectory() as scratch:
        targets = {}
        for name, options in NIGHTS.items():
            night = simulate_night(SceneOptions(rows=ROWS, columns=COLUMNS, seed=7, **options))
            targets[name] = write_night(night, Path(scratch) / name)
        for key in wanted & set(KNOBS):
            name, values, large = KNOBS[key]
            write_strip(out / f"knob-{key.rpartition('.')[2]}.jpg", key, targets[name], values, large=large)


def write_strip(path: Path, key: str, target: Path, values: list[Any], *, large: bool) -> None:
    """Make five tiles of one knob and write them side by side."""
    trial = target.parent / key
    blend.try_variants(
        "galaxy-moonlit",
        target,
        vary={key: values},
        out=trial,
        scale="full",
        crop=PART if large else WHOLE,
    )
    own = blend.load_recipe("galaxy-moonlit").model_dump(by_alias=True)
    for part in key.split("."):
        own = own[part]
    tiles = [read(trial / "tiles" / f"{number}.png", large=large) for number in range(1, len(values) + 1)]
    shown = [told(value) for value in values]
    same = [number for number, text in enumerate(shown) if text == told(own)]
    sheet = draw_sheet(tiles, shown, columns=5, title=key, own=same[0] if same else None)
    codes = np.moveaxis(np.rint(255 * sheet).astype(np.uint8), 0, -1)
    Image.fromarray(codes).save(path, quality=82, optimize=True)


def read(path: Path, *, large: bool) -> np.ndarray:
    """Return a tile, (3, rows, columns) from 0 to 1, about 260 pixels wide."""
    with Image.open(path) as image:
        size = (
            (2 * image.width, 2 * image.height) if large else (260, round(260 * image.height / image.width))
        )
        image = image.convert("RGB").resize(
            size, Image.Resampling.NEAREST if large else Image.Resampling.LANCZOS
        )
        return np.moveaxis(np.asarray(image, dtype=np.float32) / 255, -1, 0)


def told(value: Any) -> str:
    """Return a value as a caption."""
    if isinstance(value, dict):
        return ", ".join(f"{plane} {value[plane]:g}" for plane in ("blue", "green"))
    return str([list(point) for point in value]) if isinstance(value, (list, tuple)) else str(value)


if __name__ == "__main__":
    main()
