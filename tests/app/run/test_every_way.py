"""Everything that ships, end to end on one small night: each formula into each place, curve, format and recipe."""

from __future__ import annotations

import json
import shutil
from collections.abc import Iterable
from itertools import cycle, islice, product
from pathlib import Path

import pytest

from blend.app.demo.demo import write_night
from blend.app.run.job import run_target
from blend.app.run.load import open_recipe, open_target, shipped_recipes
from blend.app.run.terminal import summary
from blend.base.errors import StepError
from blend.base.formats import FORMATS
from blend.files.reader import read_picture
from blend.science.picture.curves import CURVES
from blend.science.picture.formulas import FORMULAS
from blend.science.simulated.night import SceneOptions, simulate_night

PLACES = ("red", "green", "blue", "luminance")
METHODS = ("ratio", "cielab", "oklab")


@pytest.fixture(scope="module")
def target(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write a night and return its target file; beside it is that of three lines, alike but for name and wavelength."""
    folder = tmp_path_factory.mktemp("night")
    options = SceneOptions(rows=240, columns=360, stars_per_mpx=900.0, ha_grid="same", calibrated=True)
    path = write_night(simulate_night(options), folder)
    more = ""
    for name, line_nm in (("oiii", 500.7), ("sii", 672.4)):
        shutil.copy(folder / "ha-light.fits", folder / f"{name}.fits")
        more += f'\n[masters.{name}]\nlight = "{name}.fits"\nline_nm = {line_nm}\nwidth_nm = 7.0\n'
    several = path.with_name("several.target.toml")
    several.write_text(path.read_text(encoding="utf-8") + more, encoding="utf-8")
    return path


def run(target: Path, out: Path, recipe: str | Path, *settings: str) -> Path:
    """Run a recipe and return its folder, once it is known that page, record and all named files are there."""
    opened = open_target(target)
    fixed = ("register.transform=none", *settings)
    outcome = run_target(
        open_recipe(str(recipe), settings=fixed, target=opened), opened, out=out, command="blend"
    )
    assert "report-failed" not in {code for code, _ in outcome.warnings}, outcome.warnings
    record = json.loads((out / "record.json").read_text(encoding="utf-8"))
    assert all((out / entry["path"]).is_file() for entry in record["outputs"])
    assert "could not be drawn" not in (out / "report.html").read_text(encoding="utf-8")
    lines = summary(record, out).splitlines()
    look_at = [line.split(maxsplit=1)[1] for line in lines if line.split()[0] in ("picture", "page")]
    assert len(look_at) == 2 and len(lines) <= 4
    assert all(Path(name).is_file() for name in look_at)
    return out


def in_turn(*tables: Iterable[str]) -> list[tuple[str, ...]]:
    """Return rows that hold every name of every table at least once: a run tries one of each."""
    known = [list(names) for names in tables]
    longest = max(map(len, known))
    return list(zip(*(islice(cycle(names), longest) for names in known), strict=True))


@pytest.mark.parametrize(
    ("name", "curve", "kind", "colour"), in_turn(FORMULAS, CURVES, FORMATS, ["preserve", "planes"])
)
def test_every_formula_into_every_place_and_every_curve_and_format(
    target: Path, tmp_path: Path, name: str, curve: str, kind: str, colour: str
) -> None:
    recipe = tmp_path / "all.toml"
    blends = [
        f'[blend.{into}-{number}-{method}]\ninto = "{into}"\nfrom = "{source}"\nformula = "{name}"\namount = 0.1\n'
        f'method = "{method}"\n'
        for number, source in enumerate(("ha", "ha.emission"))
        for into, method in [(p, "ratio") for p in PLACES[:3]] + list(product(PLACES[3:], METHODS))
    ]
    recipe.write_text("version = 1\n" + "".join(blends), encoding="utf-8")
    looks = (f"stretch.curve={curve}", f"stretch.colour={colour}", f'output.formats=["{kind}"]')
    out = run(target, tmp_path / "out", recipe, *looks)
    assert {path.name for path in out.iterdir()} & {entry.file for entry in FORMATS.values()} == {
        FORMATS[kind].file
    }
    page = (out / "report.html").read_text(encoding="utf-8")
    assert page.count(f"by {name}") >= len(blends)
    for own, value in FORMULAS[name].params.items():
        assert f"{own} = {value:g}" in page


@pytest.mark.parametrize("name", shipped_recipes())
def test_every_recipe(target: Path, tmp_path: Path, name: str) -> None:
    several = name in ("two-lines", "three-lines")
    night = target.with_name("several.target.toml") if several else target
    display = read_picture(run(night, tmp_path, name) / "result.fits").pixels
    assert display.shape[0] == 3
    assert display.min() >= 0.0
    assert display.max() <= 1.0


def test_a_formula_of_ones_own_with_parameters(target: Path, tmp_path: Path) -> None:
    recipe = tmp_path / "own.toml"
    recipe.write_text(
        'version = 1\n[formulas.gentle-add]\ndomain = "linear"\nneutral = "0"\nparams = { k = 0.01 }\n'
        'equation = "base + amount * line / (1 + abs(line) / k)"\n'
        '[blend.red]\ninto = "red"\nfrom = "ha.emission"\nformula = "gentle-add"\nparams = { k = 0.02 }\n',
        encoding="utf-8",
    )
    page = (run(target, tmp_path / "out", recipe) / "report.html").read_text(encoding="utf-8")
    assert "k = 0.02" in page


OWN = """
[formulas.mine]
domain = "{domain}"
equation = "{equation}"
neutral = "{neutral}"
[blend.brighter]
into = "{into}"
from = "ha"
formula = "mine"
"""


@pytest.mark.parametrize(
    ("domain", "into", "neutral", "equation", "told"),
    [
        ("linear", "red", "0", "base + line + 0 * sqrt(0.1 - base)", "makes no finite number of"),
        ("linear", "red", "0", "base - 300 * max(line, 0)", "of the frame black"),
        ("linear", "luminance", "0", "base + 3000 * max(line, 0)", "of the frame white"),
        ("display", "luminance", "sky", "base + 50 * max(line - sky, 0)", "of the frame white"),
    ],
)
def test_a_blend_that_destroys_the_picture_ends_the_run(
    target: Path, tmp_path: Path, domain: str, into: str, neutral: str, equation: str, told: str
) -> None:
    recipe = tmp_path / "own.toml"
    text = OWN.format(domain=domain, into=into, neutral=neutral, equation=equation)
    recipe.write_text(f"version = 1\n{text}", encoding="utf-8")
    with pytest.raises(StepError, match=f"^blend.brighter: the formula 'mine' .*{told}"):
        run(target, tmp_path / "out", recipe)
    assert not list((tmp_path / "out").glob("*"))
