"""The demonstration: a simulated moonlit night, the shipped recipe, and a comparison with the truth."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from blend.app.demo.score import Check, compare
from blend.app.run import claim_results, open_recipe, open_target, run_target, summary
from blend.files.claim import refuse_paths
from blend.files.fits import write_fits
from blend.files.seal import BLANK, CARD, is_sealed, seal_fits, sealed
from blend.files.whole import whole_file, write_whole
from blend.recipe.state import Listener, say
from blend.recipe.target import load_target
from blend.recipe.toml import to_toml
from blend.science.simulated import Camera, FrameMasters, Night, SceneOptions, simulate_night

RECIPE = "galaxy-moonlit"
BESIDE = 'output.formats=["fits", "tiff", "png", "without", "compare"]'
NAME = "lantern-spiral"
KINDS = ("light", "dark", "flat", "bias")


def run_demo(
    out: Path,
    *,
    size: str = "small",
    seed: int = 7,
    listener: Listener | None = None,
    overwrite: bool = False,
) -> tuple[list[str], bool]:
    """Draw a night into ``out/masters``, run the shipped recipe into ``out/result``, compare with the truth.

    Parameters
    ----------
    out : Path
    size : "small" or "full"
        1.5 or 24 megapixels.
    seed : int
    listener : callable, optional
    overwrite : bool
        Files in the way may be lost that no demonstration has left.

    Returns
    -------
    lines, passed : list of str, bool
        What to print, and whether every comparison is within its bar.

    Raises
    ------
    FaultList
        A file is in the way that no demonstration has left, or that was changed since.
    """
    options = SceneOptions.sized(size, seed=seed)
    refuse_demo(out, options, overwrite=overwrite)
    say(listener, "simulate", "drawing a simulated moonlit night", 0.0)
    night = simulate_night(options)
    target_file = write_night(night, out / "masters")
    target = open_target(target_file)
    recipe = open_recipe(RECIPE, settings=(BESIDE,), target=target)
    result = out / "result"
    command = f"blend run {RECIPE} {target_file} --set '{BESIDE}' --stages --out {result}"
    claim = claim_results(recipe, target, out=result, stages=True, reads=[target_file], overwrite=overwrite)
    outcome = run_target(
        recipe, target, out=result, stages=True, listener=listener, command=command, claim=claim
    )
    checks = compare(night, outcome.record, result)
    return [summary(outcome.record, result), "", *_table(checks)], all(check.passed for check in checks)


def refuse_demo(out: Path, options: SceneOptions, *, overwrite: bool = False) -> None:
    """Raise `FaultList` where a file in ``out`` would be replaced that no demonstration has left there."""
    folder = out / "masters"
    files = {name: {kind: f"{name}-{kind}.fits" for kind in KINDS} for name in ("rgb", "ha")}
    text = _target_text(files, options)
    names = [f"{NAME}.target.toml", *(file for kinds in files.values() for file in kinds.values())]
    paths = [folder / name for name in names]
    refuse_paths([(path, is_sealed) for path in paths], overwrite=overwrite)
    target = load_target(text, where=RECIPE, folder=folder)
    claim_results(
        open_recipe(RECIPE, settings=(BESIDE,)),
        target,
        out=out / "result",
        stages=True,
        reads=paths,
        overwrite=overwrite,
    )


def write_night(night: Night, folder: Path) -> Path:
    """Write the masters of a night and their target file, and return the target file's path."""
    both = {"rgb": night.rgb, "ha": night.ha}
    files = {name: _write_masters(name, masters, folder) for name, masters in both.items()}
    path = folder / f"{NAME}.target.toml"
    write_whole(path, sealed(_target_text(files, night.options).encode(), kind="toml"))
    return path


def _write_masters(name: str, masters: FrameMasters, folder: Path) -> dict[str, str]:
    files = {}
    for kind in KINDS:
        pixels = getattr(masters, kind)
        if pixels is not None:
            files[kind] = f"{name}-{kind}.fits"
            planes = masters.camera.planes
            with whole_file(folder / files[kind]) as part:
                write_fits(part, pixels, planes=planes, cards=_cards(masters.camera, kind), wcs=None)
                seal_fits(part)
    return files


def _cards(camera: Camera, kind: str) -> dict[str, Any]:
    cards: dict[str, Any] = {"SATURATE": 1.0, "CONTENT": f"invented {kind}", CARD: BLANK}
    if kind in ("light", "dark"):
        frames = camera.frames if kind == "light" else camera.dark_frames
        cards |= {"EXPTIME": camera.exposure_s, "NCOMBINE": frames, "CCD-TEMP": -10.0}
    return cards


def _target_text(files: Mapping[str, Mapping[str, str]], options: SceneOptions) -> str:
    known: dict[str, dict[str, float]] = {
        "rgb": {"red_width_nm": options.red_width_nm},
        "ha": {"line_nm": 656.28, "width_nm": options.line_width_nm},
    }
    return to_toml({"name": NAME, "masters": {name: {**files[name], **known[name]} for name in files}})


def _table(checks: list[Check]) -> list[str]:
    lines = ["Against the truth of the simulated night:"]
    wide = max(len(check.what) for check in checks)
    for check in checks:
        verdict = "within" if check.passed else "OUTSIDE"
        lines.append(f"  {check.what:<{wide}}  {check.found:>9.4g} {check.unit:<8} {verdict} {check.bar:g}")
    return lines
