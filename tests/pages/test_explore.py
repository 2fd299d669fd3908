"""The page to look with: what its own JavaScript makes of its layers, against what the program makes of them."""

from __future__ import annotations

import base64
import json
import shutil
import subprocess
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from blend.app.run.load import recipe_text
from blend.app.trial.explore import scene_of
from blend.pages.explore import (
    CODES_PER_E,
    MIDDLE,
    Layer,
    companded,
    recipe_with_holes,
    safe_json,
    write_explore,
)
from blend.recipe.model import resolved
from blend.recipe.pipeline import PICTURE_STEPS, run_all
from blend.recipe.state import Work
from blend.recipe.target import target_from_options

DRIVER = """
const fs = require("fs"), zlib = require("zlib");
const runPage = ([path, jobs]) => {
  const page = fs.readFileSync(path, "utf8");
  const between = (id) => page.split(`id="${id}">`)[1].split("</script>")[0];
  const facts = JSON.parse(between("facts")), packed = {};
  for (const [, name, text] of page.matchAll(/class="layer" data-name="([^"]+)">([^<]*)</g)) {
    packed[name] = new Uint8Array(zlib.inflateRawSync(Buffer.from(text, "base64")));
  }
  return new Function("facts", "packed", "jobs", between("engine") + `
    const light = {};
    for (const name of Object.keys(facts.layers)) {
      const bytes = packed[name], half = bytes.length / 2;
      light[name] = expandCodes(bytes.subarray(0, half), bytes.subarray(half), facts.layers[name].knee, facts);
    }
    const draw = makePicture(facts, light, packed.mask), bytes = new Uint8ClampedArray(4 * facts.rows * facts.columns);
    return jobs.map((values) => {
      const solved = draw(settingsOf(values, facts), bytes);
      return {solved, bytes: Buffer.from(bytes).toString("base64")};
    });`)(facts, packed, jobs);
};
process.stdout.write(JSON.stringify(JSON.parse(fs.readFileSync(0, "utf8")).map(runPage)));
"""
Jobs = list[dict[str, Any]]


def run_pages(pages: list[tuple[str, Jobs]], folder: Path) -> list[Jobs]:
    """Render settings by the pages' own scripts, all under one node."""
    node = shutil.which("node")
    if node is None:
        pytest.skip("node is not installed")
    driver = folder / "driver.js"
    driver.write_text(DRIVER, encoding="utf-8")
    named = []
    for index, (page, jobs) in enumerate(pages):
        path = folder / f"{index}.html"
        path.write_text(page, encoding="utf-8")
        named.append((str(path), jobs))
    done = subprocess.run(
        [node, str(driver)], input=json.dumps(named), capture_output=True, text=True, timeout=300
    )
    assert done.returncode == 0, done.stderr
    made: list[Jobs] = json.loads(done.stdout)
    return made


def run_page(page: str, jobs: Jobs, folder: Path) -> Jobs:
    """Render settings by the script of one page."""
    return run_pages([(page, jobs)], folder)[0]


def difference(job: dict[str, Any], work: Work) -> np.ndarray:
    """Return how far the page lies from the program, away from saturated cores, in 8-bit steps."""
    expected = program_bytes(work)
    shown = np.frombuffer(base64.b64decode(job["bytes"]), dtype=np.uint8).reshape(*expected.shape[:2], 4)
    assert (shown[..., 3] == 255).all()
    # It is a picture, not a flat sky.
    assert expected.std() > 3
    return np.abs(shown[..., :3].astype(int) - expected)[expected.max(axis=2) < 250]


def values_of(work: Work) -> dict[str, Any]:
    """Return a recipe's values as the page keeps them."""
    return dict(scene_of(work, 1).facts["values"])


def program_bytes(work: Work) -> np.ndarray:
    """Return what the program makes of the same layers, 8 bits, (rows, columns, 3)."""
    display = run_all(work, steps=PICTURE_STEPS).display
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
    **{
        f"target white, {curve} {level}": {
            "stretch.white": "target",
            "stretch.curve": curve,
            "stretch.white_level": level,
        }
        for curve, level in (
            ("asinh", 0.85),
            ("asinh", 0.6),
            ("log", 0.85),
            ("power", 0.9),
            ("rational", 0.85),
        )
    },
    "target white, planes": {"stretch.white": "target", "stretch.colour": "planes"},
    "white given": {"stretch.white": 0.2},
    "contrast": {"finish.contrast": 0.6},
    "less contrast": {"finish.contrast": -0.8},
    "a curve and contrast": {"finish.contrast": 0.3, "finish.curve": [[0.15, 0.2], [0.5, 0.6]]},
    "less colour": {"finish.saturation": 0.4},
    "more colour": {"finish.saturation": 1.8, "stretch.white": "target"},
    "colour noise": {"finish.chroma_reduction": 0.6, "finish.green_limit": 0.7, "finish.saturation": 1.4},
    "cielab": {"blend.luminance.method": "cielab"},
    "oklab": {"blend.luminance.method": "oklab"},
    "linear luminance": {"blend.luminance.formula": "emission-add", "blend.luminance.amount": 0.7},
    "line master": {"blend.luminance.from": "ha", "blend.luminance.formula": "maximum-above-noise"},
    "own sky level": {"stretch.ha": {"sky_level": 0.02}, "blend.luminance.amount": 0.6},
    **{
        f"{name} into red": {
            "blend.red.into_other_planes": "none",
            "blend.red.formula": name,
            "blend.red.amount": 0.8,
        }
        for name in ("screen", "maximum", "maximum-above-noise", "mean", "soft-light")
    },
    **{
        f"stars {stars}, {name} {kind}": {
            "protect.stars": stars,
            "blend.red.into_other_planes": "none",
            "blend.red.formula": name,
            "blend.red.from": "ha",
            "blend.luminance.formula": name,
            "blend.luminance.method": kind,
        }
        for stars in (0.0, 0.5, 1.0)
        for name, kind in (("mean", "oklab"), ("maximum", "ratio"))
    },
}


@pytest.fixture(scope="module")
def by_form(tmp_path_factory: pytest.TempPathFactory, balanced_work: Callable[..., Work]) -> dict[str, Any]:
    """Return what the page makes of every form, and the state of work it was made of."""
    works = {form: balanced_work(settings=settings) for form, settings in FORMS.items()}
    pages = [(write_explore(scene_of(work, 1)), [values_of(work)]) for work in works.values()]
    made = run_pages(pages, tmp_path_factory.mktemp("forms"))
    return {form: (jobs[0], works[form]) for form, jobs in zip(FORMS, made, strict=True)}


@pytest.mark.parametrize("form", FORMS)
def test_the_page_shows_what_the_program_computes(form: str, by_form: dict[str, Any]) -> None:
    # The bar is one 8-bit step: rounding of 16-bit codes and of tables.
    assert difference(*by_form[form]).max() <= 1


SHIPPED = [
    (name, stars)
    for name in ("galaxy-moonlit", "ha-in-luminance", "nebula-emission", "two-lines")
    for stars in (0.0, 1.0)
]


NO_FRAME = {"finish.noise_sigma": 0.0, "finish.star_size": 1.0, "finish.star_brightness": 1.0}
"""What needs every pixel of the frame, and is said on the page instead."""


def shipped_work(balanced_work: Callable[..., Work], name: str, stars: float) -> Work:
    """Return balanced work of a shipped recipe; a second line is the first one's light into green."""
    text, _ = recipe_text(name)
    work = balanced_work(text, settings={"protect.stars": stars, **NO_FRAME})
    if "oiii" not in text:
        return work
    line = replace(work.lines["ha"], broad="green")
    return work.with_(
        target=target_from_options(["rgb=a.fits", "ha=b.fits", "oiii=c.fits"]),
        masters={**work.masters, "oiii": work.masters["ha"]},
        lines={**work.lines, "oiii": line},
    )


@pytest.fixture(scope="module")
def by_recipe(
    tmp_path_factory: pytest.TempPathFactory, balanced_work: Callable[..., Work]
) -> dict[tuple[str, float], Any]:
    """Return what the page makes of every shipped recipe, and the state of work it was made of."""
    works = {key: shipped_work(balanced_work, *key) for key in SHIPPED}
    pages = [(write_explore(scene_of(work, 1)), [values_of(work)]) for work in works.values()]
    made = run_pages(pages, tmp_path_factory.mktemp("shipped"))
    return {key: (jobs[0], works[key]) for key, jobs in zip(SHIPPED, made, strict=True)}


@pytest.mark.parametrize("key", SHIPPED)
def test_shipped_recipes_look_as_the_program_makes_them(
    key: tuple[str, float], by_recipe: dict[tuple[str, float], Any]
) -> None:
    assert difference(*by_recipe[key]).max() <= 1


def test_a_formula_turned_to_is_protected_as_a_run_of_it_is(
    balanced_work: Callable[..., Work], tmp_path: Path
) -> None:
    # The page was made under a recipe whose lines were not all in use, and none limited.
    begun = balanced_work(settings={"blend.luminance.amount": 0.0})
    turned = balanced_work(settings={"blend.luminance.formula": "mean", "blend.luminance.amount": 0.6})
    made = run_page(write_explore(scene_of(begun, 1)), [values_of(turned)], tmp_path)[0]
    assert difference(made, turned).max() <= 1
    free = turned.with_(recipe=balanced_work(settings={"protect.stars": 0.0}).recipe)
    assert difference(made, free).max() > 10


def test_an_automatic_amount_is_shown_as_the_number_chosen(
    balanced_work: Callable[..., Work], tmp_path: Path
) -> None:
    work = balanced_work(settings={"blend.red.amount": "auto"}, shape=(132, 140))
    scene = scene_of(work, 1)
    red, luminance = scene.facts["blends"]
    assert red["chosen"] and not luminance["chosen"]
    amount = scene.facts["values"]["blend.red.amount"]
    told = run_all(work, steps=PICTURE_STEPS[:-1]).recorded["blend"]["red"]["amount"]
    assert amount == pytest.approx(told, rel=1e-3) and told > 0
    made = run_page(write_explore(scene), [values_of(work)], tmp_path)[0]
    assert difference(made, work).max() <= 1


@pytest.mark.parametrize("line_too", [False, True])
def test_masters_that_are_stretched_already(
    line_too: bool, balanced_work: Callable[..., Work], tmp_path: Path
) -> None:
    text = '[blend.red]\ninto = "red"\nfrom = "ha"\nformula = "maximum-above-noise"\namount = 0.8\n'
    work = balanced_work(text)
    shown = np.clip(0.1 + 3.0 * work.rgb.pixels, 0, 1).astype(np.float32)
    masters = {**work.masters, "rgb": work.rgb.with_(pixels=shown, domain="display")}
    if line_too:
        codes = np.clip(0.2 + 4.0 * work.masters["ha"].pixels, 0, 1).astype(np.float32)
        masters["ha"] = work.masters["ha"].with_(pixels=codes, domain="display")
    work = work.with_(masters=masters)
    made = run_page(write_explore(scene_of(work, 1)), [values_of(work)], tmp_path)[0]
    assert difference(made, work).max() <= 1


def test_codes_are_finer_than_an_eighth_of_the_noise_and_keep_what_is_missing() -> None:
    light = np.concatenate([np.linspace(-50, 5000, 4001), [0.0, np.nan, 1e5]]).astype(np.float32)[None] * 0.01
    layer = Layer(pixels=light, sigma=0.01)
    codes = companded(layer)
    # as the page does
    light_of = layer.knee * np.sinh((codes.astype(np.float64) - MIDDLE) / CODES_PER_E)
    back = np.where(codes == 0, np.nan, light_of).astype(np.float32)
    assert np.array_equal(np.isnan(back), np.isnan(light))
    assert back[0, 4001] == 0.0
    known = ~np.isnan(light)
    # Half a code: sigma / 128 at the sky, 0.1 % of bright light; 1e-5 for float32.
    bound = np.hypot(0.01 * 8.0, light[known]) * (0.5 / 512 + 1e-5)
    assert (np.abs(back[known] - light[known]) <= bound).all()


@pytest.mark.parametrize("curve", ["asinh", "log", "power", "rational", "linear"])
def test_the_page_solves_the_stretch_as_the_program_does(
    curve: str, balanced_work: Callable[..., Work], tmp_path: Path
) -> None:
    levels = (0.05, 0.1, 0.3)
    work = balanced_work(settings={"stretch.curve": curve})
    jobs = [{**values_of(work), "stretch.sky_level": level} for level in levels]
    made = run_page(write_explore(scene_of(work, 1)), jobs, tmp_path)
    for level, job in zip(levels, made, strict=True):
        state = run_all(
            balanced_work(settings={"stretch.curve": curve, "stretch.sky_level": level}),
            steps=PICTURE_STEPS[:2],
        )
        solved = state.stretches["rgb"]
        if curve != "linear":
            # Two root searches, each to 1e-9 of the level.
            assert job["solved"]["parameter"] == pytest.approx(solved.parameter, rel=1e-6)
        assert job["solved"]["level"] == pytest.approx(solved.sky_level, abs=1e-8)
        assert job["solved"]["noise"] == pytest.approx(solved.sky_noise, rel=1e-6)
        assert job["solved"]["lowered"] == solved.lowered


def test_a_moved_slider_gives_what_a_fresh_page_gives(
    balanced_work: Callable[..., Work], tmp_path: Path
) -> None:
    # What one picture leaves in the engine must not show in the next one.
    work = balanced_work()
    first = values_of(work)
    others = [
        {**first, "stretch.sky_level": 0.2},
        {**first, "blend.red.amount": 0.0, "blend.luminance.amount": 0.0},
        {**first, "blend.red.formula": "maximum", "blend.red.into_other_planes": "none"},
        {**first, "stretch.white": "target"},
        {**first, "finish.saturation": 1.5, "finish.contrast": 0.5},
        first,
        {**first, "blend.luminance.amount": 1.0},
    ]
    page = write_explore(scene_of(work, 1))
    moved, *fresh = run_pages(
        [(page, [first, *others, first]), *((page, [job]) for job in [*others, first])], tmp_path
    )
    for after, alone in zip(moved[1:], fresh, strict=True):
        assert after["bytes"] == alone[0]["bytes"]


def test_a_hostile_title_or_own_formula_never_becomes_markup(balanced_work: Callable[..., Work]) -> None:
    nasty = "</script><script>alert(1)</script>"
    text = (
        f'title = "{nasty}"\n[blend.red]\ninto = "red"\nfrom = "ha"\nformula = "mine"\n[formulas.mine]\n'
        f'domain = "display"\nequation = "max(base, k * line)"\nneutral = "sky / k"\nparams = {{k = 2.0}}\n'
        f'about = "{nasty}"\n'
    )
    page = write_explore(scene_of(balanced_work(text), 1, command=f"blend run {nasty}"))
    assert nasty not in page
    assert page.count("<script") == page.count("</script>")
    assert json.loads(page.split('id="facts">')[1].split("</script>")[0])["title"] == nasty


def test_a_formula_of_the_recipe_s_own_is_computed(
    balanced_work: Callable[..., Work], tmp_path: Path
) -> None:
    text = (
        '[blend.red]\ninto = "red"\nfrom = "ha.emission"\nformula = "mine"\nparams = {value = 3.0}\namount = 0.7\n'
        '[formulas.mine]\ndomain = "display"\n'
        'equation = "where(line > sky, base + count * value * line * (1 - base), base)"\n'
        'neutral = "0"\nparams = {value = 2.0, count = 0.1}\n'
    )
    work = balanced_work(text, shape=(90, 120))
    made = run_page(write_explore(scene_of(work, 1)), [values_of(work)], tmp_path)[0]
    assert difference(made, work).max() <= 1


def test_the_copied_recipe_is_the_recipe(balanced_work: Callable[..., Work]) -> None:
    recipe = resolved(balanced_work().recipe)
    keys = values_of(balanced_work())
    holed = recipe_with_holes({**recipe, "title": "a hole in the sky"}, keys)
    assert holed["open"] not in "a hole in the sky"
    assert holed["text"].count(f'"{holed["open"]} ') == len(keys)
    assert safe_json({"a": "<&>"}) == '{"a": "\\u003c\\u0026\\u003e"}'
