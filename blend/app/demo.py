"""The demonstration: an invented moonlit night, the shipped recipe, and a comparison with the truth."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.app.job import run_target
from blend.app.load import open_recipe, open_target
from blend.app.terminal import summary
from blend.app.truth import Check, compare
from blend.files.fits import write_fits
from blend.recipe.work import Event, Listener
from blend.science.camera import Camera, FrameMasters
from blend.science.simulate import Night, SceneOptions, simulate_night

RECIPE = "galaxy-moonlit"
NAME = "lantern-spiral"


def run_demo(
    out: Path, *, size: str = "small", seed: int = 7, listener: Listener | None = None
) -> tuple[list[str], bool]:
    """Draw a night into ``out/masters``, run the shipped recipe into ``out/result``, compare with the truth.

    Parameters
    ----------
    out : Path
    size : "small" or "full"
        1.5 or 24 megapixels.
    seed : int
    listener : callable, optional

    Returns
    -------
    lines, passed : list of str, bool
        What to print, and whether every comparison is within its bar.
    """
    if listener is not None:
        listener(Event("simulate", "drawing an invented moonlit night", 0.0))
    night = simulate_night(SceneOptions.sized(size, seed=seed))
    target_file = write_night(night, out / "masters")
    target = open_target(target_file)
    recipe = open_recipe(RECIPE, target=target)
    result = out / "result"
    command = f"blend run {RECIPE} {target_file} --stages --out {result}"
    outcome = run_target(recipe, target, out=result, stages=True, listener=listener, command=command)
    checks = compare(night, outcome.record, result)
    return [summary(outcome.record, result), "", *_table(checks)], all(check.passed for check in checks)


def write_night(night: Night, folder: Path) -> Path:
    """Write the masters of a night and their target file, and return the target file's path."""
    folder.mkdir(parents=True, exist_ok=True)
    tables = []
    for name, masters in (("rgb", night.rgb), ("ha", night.ha)):
        tables.append(_table_of(name, _write_masters(name, masters, folder), night))
    path = folder / f"{NAME}.target.toml"
    path.write_text(f'name = "{NAME}"\n\n' + "\n".join(tables), encoding="utf-8")
    return path


def _write_masters(name: str, masters: FrameMasters, folder: Path) -> dict[str, str]:
    files = {}
    kinds: dict[str, NDArray[np.float32] | None] = {
        "light": masters.light,
        "dark": masters.dark,
        "flat": masters.flat,
        "bias": masters.bias,
    }
    for kind, pixels in kinds.items():
        if pixels is not None:
            files[kind] = f"{name}-{kind}.fits"
            planes = masters.camera.planes
            write_fits(
                folder / files[kind], pixels, planes=planes, cards=_cards(masters.camera, kind), wcs=None
            )
    return files


def _cards(camera: Camera, kind: str) -> dict[str, Any]:
    cards: dict[str, Any] = {"SATURATE": 1.0, "CONTENT": f"invented {kind}"}
    if kind in ("light", "dark"):
        frames = camera.frames if kind == "light" else camera.dark_frames
        cards |= {"EXPTIME": camera.exposure_s, "NCOMBINE": frames, "CCD-TEMP": -10.0}
    return cards


def _table_of(name: str, files: Mapping[str, str], night: Night) -> str:
    lines = [f"[masters.{name}]", *(f'{kind} = "{file}"' for kind, file in files.items())]
    if name == "rgb":
        lines.append(f"red_width_nm = {night.options.red_width_nm}")
    else:
        lines += ["line_nm = 656.28", f"width_nm = {night.options.line_width_nm}"]
    return "\n".join(lines) + "\n"


def _table(checks: list[Check]) -> list[str]:
    lines = ["Against the truth of the invented night:"]
    wide = max(len(check.what) for check in checks)
    for check in checks:
        verdict = "within" if check.passed else "OUTSIDE"
        lines.append(f"  {check.what:<{wide}}  {check.found:>9.4g} {check.unit:<8} {verdict} {check.bar:g}")
    return lines
