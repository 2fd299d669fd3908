"""The package as others get it: the wheel, the promised versions, and what the papers beside the code say."""

from __future__ import annotations

import ast
import os
import py_compile
import re
import shlex
import shutil
import subprocess
import sys
import tomllib
import zipfile
from collections.abc import Iterator
from pathlib import Path

import click
import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name
from packaging.version import Version

from blend.app.cli import commands as cli
from blend.app.run.load import open_recipe, shipped_recipes
from blend.recipe.model import load_recipe
from blend.recipe.target import load_target
from blend.science.picture.formulas import FORMULAS, Example, Formula

PROJECT = Path(__file__).parent.parent
PAPERS = (
    "README.md",
    "DEVELOPERS.md",
    *sorted(f"docs/{path.name}" for path in (PROJECT / "docs").glob("*.md")),
)


def text_of(paper: str) -> str:
    """Return the text of a file of the project."""
    return (PROJECT / paper).read_text(encoding="utf-8")


def fenced(paper: str, kind: str) -> Iterator[str]:
    """Give the fenced blocks of one kind."""
    for found in re.finditer(rf"^```{kind}(?: run)?\n(.*?)^```$", text_of(paper), re.DOTALL | re.MULTILINE):
        yield found[1]


def shell_lines(paper: str) -> list[str]:
    """Return the commands of the fenced shell blocks, continued lines joined."""
    blocks = (block.replace("\\\n", " ") for block in fenced(paper, "sh"))
    return [line.strip() for block in blocks for line in block.splitlines() if line.strip()]


def commands(program: str) -> list[str]:
    """Return the commands of the papers that begin with ``program``."""
    return [line for paper in PAPERS for line in shell_lines(paper) if line.split()[0] == program]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build the wheel outside the project and return it."""
    folder = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", folder, PROJECT],
        check=True,
        capture_output=True,
    )
    (built,) = folder.glob("*.whl")
    return built


def test_the_wheel_holds_code_recipes_and_templates(wheel: Path) -> None:
    inside = set(zipfile.ZipFile(wheel).namelist())
    recipes = {f"blend/recipes/{path.name}" for path in (PROJECT / "recipes").iterdir()}
    package = {
        str(path.relative_to(PROJECT))
        for path in (PROJECT / "blend").rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }
    assert len([name for name in recipes if name.endswith(".toml")]) >= 4
    assert any(name.endswith(".html") for name in package)
    assert not (recipes | package) - inside
    assert not {name for name in inside - recipes - package if ".dist-info/" not in name}
    kinds = {Path(name).suffix or Path(name).name for name in package}
    assert kinds <= {".css", ".py", ".html", ".js", ".typed"}, "left-overs would be shipped"


def test_the_installed_wheel_works_away_from_the_project(wheel: Path, tmp_path: Path) -> None:
    site, elsewhere = tmp_path / "site", tmp_path / "elsewhere"
    elsewhere.mkdir()
    pip = [sys.executable, "-m", "pip", "install", "--quiet", "--no-index", "--no-deps", "--no-compile"]
    subprocess.run([*pip, "--target", site, wheel], check=True, capture_output=True)

    def python(code: str, *words: str) -> str:
        done = subprocess.run(
            [sys.executable, "-c", code, *words],
            cwd=elsewhere,
            env={**os.environ, "PYTHONPATH": str(site)},
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, done.stderr
        return done.stdout

    assert Path(python("import blend; print(blend.__file__)").strip()).is_relative_to(site)
    said = python("from blend.app.cli import main; main()", "explain", "galaxy-moonlit")
    assert said.startswith("Spiral galaxy under a bright Moon\n")
    found = python("from blend.app.run.load import shipped_recipes as s; print(*s().values(), sep='\\n')")
    assert {Path(line).parent for line in found.split()} == {site / "blend" / "recipes"}


def test_tested_versions_satisfy_the_promised_ones() -> None:
    project = tomllib.loads(text_of("pyproject.toml"))["project"]
    promised = list(project["dependencies"])
    for extra in project["optional-dependencies"].values():
        promised += extra
    lines = [line for line in text_of("tests/constraints.txt").splitlines() if not line.startswith("#")]
    tested = dict(line.split("==") for line in lines)
    versions = {canonicalize_name(name): Version(version) for name, version in tested.items()}
    for text in promised:
        requirement = Requirement(text)
        version = versions.get(canonicalize_name(requirement.name))
        assert requirement.specifier, f"{text} has no lower bound"
        assert version is not None, f"tests/constraints.txt does not name {requirement.name}"
        assert requirement.specifier.contains(version), f"{text} leaves out {version}"


def test_the_papers_show_commands() -> None:
    assert shell_lines("README.md")[:2] == ["bash examples/demo.sh", "bash tests/run.sh"]
    assert len(commands("blend")) >= 8


@pytest.mark.parametrize("line", commands("blend"))
def test_every_command_of_the_papers_parses(line: str) -> None:
    _, name, *words = shlex.split(line, comments=True)
    command = cli.blend.commands.get(name)
    assert command is not None, f"there is no command {name}"
    # Parses, converts and asks for what is required; runs nothing.
    context: click.Context = command.make_context(name, words)
    recipe = context.params.get("recipe")
    if recipe is None:
        return
    if recipe in shipped_recipes() or (PROJECT / recipe).is_file():
        open_recipe(
            str(shipped_recipes().get(recipe, PROJECT / recipe)), settings=context.params.get("settings", ())
        )
    else:
        assert recipe.startswith("my-"), f"{recipe} is neither shipped nor called my-..."


@pytest.mark.parametrize("program", ["bash", "python"])
def test_every_script_of_the_papers_is_there(program: str) -> None:
    scripts = [line.split()[1] for line in commands(program) if not line.split()[1].startswith("-")]
    assert scripts
    assert not [script for script in scripts if not (PROJECT / script).is_file()]


@pytest.mark.parametrize("paper", PAPERS)
def test_links_lead_somewhere(paper: str) -> None:
    text = text_of(paper)
    headings = re.findall(r"^#+ (.+)$", text, re.MULTILINE)
    anchors = {re.sub(r"[^\w\- ]", "", heading.lower()).replace(" ", "-") for heading in headings}
    for link in re.findall(r"\]\(([^)\s]+)\)", text):
        if link.startswith("#"):
            assert link[1:] in anchors, link
        elif not link.startswith("https://"):
            assert ((PROJECT / paper).parent / link).exists(), link


def test_recipes_and_target_files_of_the_papers_are_sound(tmp_path: Path) -> None:
    blocks = [block for paper in PAPERS for block in fenced(paper, "toml")]
    kinds = set()
    for block in blocks:
        if "extends = " in block:
            recipe = tmp_path / "extends.toml"
            recipe.write_text(block, encoding="utf-8")
            open_recipe(str(recipe))
            kinds.add("extends")
        elif "[masters." in block:
            load_target(block, where="paper", folder=tmp_path)
            kinds.add("target")
        else:
            load_recipe(block if "version = 1" in block else f"version = 1\n{block}", where="paper")
            kinds.add("recipe")
    assert kinds == {"target", "recipe", "extends"}


def test_the_map_names_every_folder_and_every_module_says_what_it_does() -> None:
    """A newcomer finds a folder in DEVELOPERS.md and a module by its first line."""
    rows = re.findall(r"^\| `([a-z/]+)/` \|", text_of("DEVELOPERS.md"), re.MULTILINE)
    package = PROJECT / "blend"
    there = {path.parent.relative_to(package).as_posix() for path in package.glob("*/**/*.py")}
    rooms = {name for name in there if any(other.startswith(f"{name}/") for other in there)}
    assert len(rows) == len(set(rows))
    assert set(rows) == there - (rooms - {"recipe"})
    for path in package.rglob("*.py"):
        first = (ast.get_docstring(ast.parse(path.read_text(encoding="utf-8"))) or "").split("\n")[0]
        assert len(first) > 20, f"{path.relative_to(package)} needs a first line that says what it does"


def test_the_formula_of_the_contributors_guide_can_be_put_in_as_it_stands() -> None:
    (block,) = fenced("DEVELOPERS.md", "python")
    (formula,) = eval(block, {"Formula": Formula, "Example": Example})
    for example in formula.examples:
        values = {**formula.params, **example.values, "amount": 1.0}
        assert formula.parsed.evaluate(values) == pytest.approx(example.result)


def test_formulas_printed_in_the_papers_are_those_computed() -> None:
    rows = re.findall(
        r"^\| `([a-z-]+)` \| (linear|display) \| `(.+?)` \| (\S+) \|",
        text_of("docs/formulas.md"),
        re.MULTILINE,
    )
    assert len(rows) >= 5
    for name, domain, equation, neutral in rows:
        formula = FORMULAS[name]
        assert (domain, equation, neutral) == (formula.domain, formula.equation, formula.neutral)


def test_the_reference_of_keys_is_what_the_schemas_say() -> None:
    """Written anew by ``python docs/reference.py``."""
    code = "import runpy; print(runpy.run_path('docs/reference.py')['reference'](), end='')"
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=PROJECT, capture_output=True, text=True, check=True
    )
    assert done.stdout == text_of("docs/recipe-reference.md")


def test_every_page_of_the_manual_is_on_its_first_page() -> None:
    first = text_of("docs/README.md")
    assert all(
        f"]({path.name})" in first for path in (PROJECT / "docs").glob("*.md") if path.name != "README.md"
    )


@pytest.mark.skipif(shutil.which("bash") is None, reason="the manual's commands are for a shell")
def test_commands_of_the_manual_print_what_stands_behind_them() -> None:
    """Up to seconds, memory and the last digit; written anew by ``python docs/run.py --write``."""
    done = subprocess.run(
        [sys.executable, "docs/run.py"], cwd=PROJECT, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout


def test_the_readme_is_short() -> None:
    assert len(text_of("README.md").splitlines()) <= 180


def test_examples_compile(tmp_path: Path) -> None:
    for script in (PROJECT / "examples").glob("*.py"):
        py_compile.compile(str(script), cfile=str(tmp_path / "compiled.pyc"), doraise=True)
    for script in (PROJECT / "examples").glob("*.sh"):
        subprocess.run(["bash", "-n", script], check=True)
