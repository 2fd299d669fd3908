"""The page to look with: what its own JavaScript makes of its layers, against what the program makes of them."""

from __future__ import annotations

import base64
import json
import shutil
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from blend.app.explore import scene_of
from blend.pages.explore import write_explore
from blend.recipe.pipeline import PICTURE_STEPS, run_all
from blend.recipe.work import Work

DRIVER = """
const fs = require("fs"), zlib = require("zlib");
const page = fs.readFileSync(process.argv[2], "utf8");
const jobs = JSON.parse(fs.readFileSync(0, "utf8"));
const between = (id) => page.split(`id="${id}">`)[1].split("</script>")[0];
const facts = JSON.parse(between("facts"));
const layers = {};
for (const [, name, text] of page.matchAll(/class="layer" data-name="([^"]+)">([^<]*)</g)) {
  const bytes = new Uint8Array(zlib.inflateRawSync(Buffer.from(text, "base64")));
  layers[name] = bytes;
}
const made = new Function("facts", "packed", "jobs", between("engine") + `
  const size = facts.rows * facts.columns, light = {};
  for (const name of Object.keys(facts.layers)) {
    const bytes = packed[name];
    light[name] = expandCodes(bytes.subarray(0, size), bytes.subarray(size), facts.layers[name].knee, facts);
  }
  const engine = makeEngine(facts, light);
  return jobs.map((settings) => {
    const bytes = new Uint8ClampedArray(4 * size);
    const solved = engine.render(settings, bytes);
    return {solved, bytes: Buffer.from(bytes).toString("base64")};
  });`)(facts, layers, jobs);
process.stdout.write(JSON.stringify(made));
"""


def run_page(page: str, jobs: list[dict[str, Any]], folder: Path) -> list[dict[str, Any]]:
    """Render settings by the page's own script under node."""
    node = shutil.which("node")
    if node is None:
        pytest.skip("node is not installed")
    path, driver = folder / "explore.html", folder / "driver.js"
    path.write_text(page, encoding="utf-8")
    driver.write_text(DRIVER, encoding="utf-8")
    done = subprocess.run(
        [node, str(driver), str(path)], input=json.dumps(jobs), capture_output=True, text=True, timeout=120
    )
    assert done.returncode == 0, done.stderr
    made: list[dict[str, Any]] = json.loads(done.stdout)
    return made


def settings_of(work: Work) -> dict[str, Any]:
    """Return a recipe's blends as the page's engine takes them."""
    scene = scene_of(work, 1)
    return {"sky_level": scene.facts["stretch"]["sky_level"], "blends": list(scene.facts["blends"])}


def program_bytes(work: Work) -> np.ndarray:
    """Return what the program makes of the same layers before finish, 8 bits, (rows, columns, 3)."""
    display = run_all(work, steps=PICTURE_STEPS[:-1]).display
    assert display is not None
    upright = display if work.rgb.facts.rows == "top-down" else display[:, ::-1]
    return np.floor(255.0 * np.clip(np.nan_to_num(np.moveaxis(upright, 0, -1)), 0, 1) + 0.5).astype(int)


FORMS = {
    "as it is": {},
    "no lines": {"blend.red.amount": 0.0, "blend.luminance.amount": 0.0},
    "strong": {"blend.red.amount": 2.5, "blend.luminance.amount": 1.0, "stretch.sky_level": 0.2},
    "planes": {"stretch.colour": "planes"},
    "log curve": {"stretch.curve": "log"},
    "power curve": {"stretch.curve": "power"},
    "rational curve": {"stretch.curve": "rational"},
    "linear curve": {"stretch.curve": "linear"},
    "cielab": {"blend.luminance.method": "cielab"},
    "oklab": {"blend.luminance.method": "oklab"},
    "linear luminance": {"blend.luminance.formula": "emission-add", "blend.luminance.amount": 0.7},
    "line master": {"blend.luminance.from": "ha", "blend.luminance.formula": "maximum-above-noise"},
    "own sky level": {"stretch.ha": {"sky_level": 0.2}, "blend.luminance.amount": 0.6},
    **{
        f"{name} into red": {"blend.red.share": "none", "blend.red.formula": name, "blend.red.amount": 0.8}
        for name in ("screen", "maximum", "maximum-above-noise", "mean", "soft-light")
    },
}


@pytest.mark.parametrize("form", FORMS)
def test_the_page_shows_what_the_program_computes(
    form: str, balanced_work: Callable[..., Work], tmp_path: Path
) -> None:
    work = balanced_work(settings=FORMS[form])
    made = run_page(write_explore(scene_of(work, 1)), [settings_of(work)], tmp_path)[0]
    shown = np.frombuffer(base64.b64decode(made["bytes"]), dtype=np.uint8)
    expected = program_bytes(work)
    difference = np.abs(shown.reshape(*expected.shape[:2], 4)[..., :3].astype(int) - expected)
    # The bar is one 8-bit step away from saturated cores: rounding of 16-bit codes and of tables.
    assert difference[expected.max(axis=2) < 250].max() <= 1
    assert (shown.reshape(-1, 4)[:, 3] == 255).all()
    # And it is a picture, not a flat sky.
    assert expected.std() > 3
