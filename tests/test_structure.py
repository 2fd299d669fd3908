"""Who may know whom: folders and rooms in one order, what a room offers stands in its door, and no circles."""

from __future__ import annotations

import ast
import io
import re
import subprocess
import sys
import tokenize
from collections.abc import Iterator
from functools import cache
from importlib import import_module
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "blend"
ORDER = ("base", "science", "recipe", "files", "pages", "app")
ALLOWED = {folder: set(ORDER[: index + 1]) for index, folder in enumerate(ORDER)} | {
    "files": {"base", "files"}
}
STOREYS = {
    "science": (("plane", "stars", "moon"), ("sensor", "grid", "sky", "line", "picture"), ("simulated",)),
    "app": (("run", "frames"), ("trial", "batch", "inspect", "demo"), ("cli",)),
}
"""The rooms of a folder: one may know those of its own storey, without circles, and of those before it."""

MODULES = sorted(path for folder in ORDER for path in (PACKAGE / folder).rglob("*.py"))
LARGEST_SHARE = 0.20
MOST_LINES = 450

TESTS = Path(__file__).parent

PRIVATE_IN_TESTS = {
    # what other systems have or lack is put in their place
    "base/test_system.py": {"system._Counters", "system._fcntl", "system._msvcrt", "system._resource"},
    "files/test_bombs.py": {"system._group_memory", "system._kept"},
    # drivers that call many thousand times what a command does once
    "fuzz.py": {"replay._target"},
    "wrong.py": {"commands._run"},
    # parts against a slow, obvious version of each: to be asked through what is offered
    "science/picture/test_chroma.py": {"chroma._add_insignificant", "chroma._sharpened", "chroma._smooth"},
    "science/picture/test_luma_noise.py": {"chroma._smooth"},
    "science/sky/test_spline.py": {"spline._spline"},
}
"""Private names that tests still use, and why: the list only becomes shorter."""

REACHED_THROUGH: dict[str, tuple[str, ...]] = {
    # a command line's words, from typing to exit code
    "app/cli/test_words.py": ("app/cli/batch", "app/cli/frames", "app/cli/trial", "app/inspect/files"),
    "app/cli/test_cli.py": ("app/cli/warmup", "app/run/check", "recipe/blendtable", "recipe/tables"),
    "science/picture/test_colour.py": ("base/transfer",),
    "app/inspect/test_compare.py": ("app/cli/compare", "app/inspect/compared_pictures"),
    "app/inspect/test_worth.py": ("app/inspect/moon_against", "app/run/worth"),
    # whole batches and stacks, compared with what one frame and one target give
    "app/batch/test_batch.py": ("app/batch/plan", "app/batch/workers", "pages/batch"),
    "app/frames/test_stack.py": (*("app/frames/light_frame", "app/frames/lights", "app/frames/table"),),
    "app/frames/test_few_lights.py": ("app/frames/few_lights",),
    # an invented night through the whole job, against its truth
    "app/run/test_main_job.py": (
        *("app/demo/demo", "app/demo/score", "recipe/pipeline"),
        *("recipe/steps/continuum", "recipe/steps/target_light"),
        "science/picture/target_tone",
    ),
    # variants of a recipe: what is kept between two of them changes no pixel
    "app/trial/test_trial.py": ("app/run/preview", "app/trial/tiles", "recipe/packing"),
    "pages/test_explore.py": ("app/trial/explore", "app/trial/page_values"),
    # steps, by the tests of the step that calls them and of the words they say
    "recipe/test_blend_steps.py": ("recipe/steps/choose_amounts",),
    "recipe/test_doubts.py": ("pages/verdict",),
    "recipe/test_model.py": ("recipe/finishtable",),
    "recipe/test_gradient_step.py": (
        "recipe/steps/flatwords",
        "recipe/steps/skywords",
        "science/sky/star_bowl",
    ),
    "recipe/test_calibrate_step.py": ("recipe/steps/rays",),
    "app/run/test_holes.py": ("recipe/steps/holes",),
    # what is compiled, or only a part, by the module that drives it
    "science/grid/test_register.py": (
        *(
            "science/grid/coordinates",
            "science/grid/proposals",
            "science/grid/settle",
            "science/grid/wholeframe",
        ),
    ),
    "science/picture/test_finish.py": ("science/picture/finish_loops",),
    "science/picture/test_luma_noise.py": ("science/picture/luma_noise_loops",),
    "science/plane/test_badpixels.py": ("science/plane/badpixel_loops",),
    "science/sensor/test_calibration.py": ("science/sensor/calibration_loops",),
    "science/sensor/test_rays.py": ("science/sensor/ray_loops",),
    "science/sensor/test_stack.py": ("science/sensor/stack_loops",),
    "science/sensor/test_linearity.py": ("science/sensor/star_curve_loops",),
}
"""Modules without a test of their name or in their room that imports them, by the test that reaches them."""


def name_of(path: Path) -> str:
    """Return the dotted name of a module or a package."""
    return ".".join(("blend", *path.relative_to(PACKAGE).with_suffix("").parts)).removesuffix(".__init__")


def room_of(name: str) -> str | None:
    """Return the room that a dotted name stands in, as `blend.science.sky`; None outside of rooms."""
    parts = name.split(".")
    folder = STOREYS.get(parts[1], ()) if len(parts) > 2 else ()
    return ".".join(parts[:3]) if any(parts[2] in storey for storey in folder) else None


@cache
def imported(path: Path) -> tuple[tuple[str, str | None], ...]:
    """Return (module, name) of what a file imports, at the top or inside functions; no name for `import module`."""
    found: list[tuple[str, str | None]] = []
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            found += [(node.module, alias.name) for alias in node.names]
        elif isinstance(node, ast.Import):
            found += [(alias.name, None) for alias in node.names]
    return tuple(found)


@cache
def asked_for(path: Path) -> frozenset[str]:
    """Return the full names of modules and of what is in them that a file imports."""
    return frozenset(name for module, part in imported(path) for name in (module, f"{module}.{part}"))


def imports_of(path: Path) -> set[str]:
    """Return the modules that a file imports."""
    return {module for module, _ in imported(path)}


def offered(door: Path) -> list[str]:
    """Return what a room's `__init__` imports for others: all that stands under `if TYPE_CHECKING`."""
    blocks = [node for node in ast.parse(door.read_text(encoding="utf-8")).body if isinstance(node, ast.If)]
    nodes = [node for block in blocks for node in block.body if isinstance(node, ast.ImportFrom)]
    return [alias.name for node in nodes for alias in node.names]


def is_numeric(node: ast.expr | None) -> bool:
    """Return whether an expression is made of numbers alone: a number, a sum of them, a tuple of them."""
    if isinstance(node, ast.Constant):
        return isinstance(node.value, int | float) and not isinstance(node.value, bool)
    if isinstance(node, ast.UnaryOp):
        return is_numeric(node.operand)
    if isinstance(node, ast.BinOp):
        return is_numeric(node.left) and is_numeric(node.right)
    return isinstance(node, ast.Tuple | ast.List) and bool(node.elts) and all(map(is_numeric, node.elts))


def unexplained(source: str) -> list[str]:
    """Return the named numbers of a module that no words stand with: on their line, above them or below them.

    Lines that stand together without a blank one are one group, which one comment or docstring explains.
    """
    body = ast.parse(source).body
    spans = {node: set(range(node.lineno, (node.end_lineno or node.lineno) + 1)) for node in body}
    together = {
        n for node in body if isinstance(node, ast.Assign | ast.AnnAssign | ast.Expr) for n in spans[node]
    }
    told = {n for node in body if isinstance(node, ast.Expr) for n in spans[node]}
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        line, column = token.start
        if token.type == tokenize.COMMENT and (column == 0 or line in together):
            told.add(line)
    together |= told
    found = []
    for node in body:
        if not (isinstance(node, ast.Assign | ast.AnnAssign) and is_numeric(node.value)):
            continue
        group = set(spans[node])
        while more := {n for line in group for n in (line - 1, line + 1)} & together - group:
            group |= more
        if not told & group:
            found.append(ast.unparse(node))
    return found


def private_names(path: Path) -> set[str]:
    """Return the names of the package with an underscore before them that a test file uses, as `module._name`."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    homes: dict[str, str] = {}
    found = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "blend":
            for alias in node.names:
                homes[alias.asname or alias.name] = alias.name
                if alias.name.startswith("_"):
                    found.add(f"{str(node.module).rpartition('.')[2]}.{alias.name}")
    for node in ast.walk(tree):
        words = (
            node.args[:2] if isinstance(node, ast.Call) and ast.unparse(node.func).endswith("setattr") else ()
        )
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id in homes:
            name, home = node.attr, homes[node.value.id]
        elif len(words) == 2 and isinstance(words[0], ast.Name) and isinstance(words[1], ast.Constant):
            name, home = str(words[1].value), homes.get(words[0].id, "")
        else:
            continue
        if home and name.startswith("_") and not name.startswith("__"):
            found.add(f"{home}.{name}")
    return found


def circle_in(graph: dict[str, set[str]]) -> str:
    """Return the first circle of a graph in words, or nothing."""
    done: set[str] = set()

    def visit(name: str, trail: tuple[str, ...]) -> str:
        if name in trail:
            return " -> ".join((*trail, name))
        if name not in done:
            for other in sorted(graph[name]):
                found = visit(other, (*trail, name))
                if found:
                    return found
            done.add(name)
        return ""

    return next(filter(None, (visit(name, ()) for name in graph)), "")


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_a_folder_imports_only_from_folders_above_it(path: Path) -> None:
    folder = path.relative_to(PACKAGE).parts[0]
    for module in imports_of(path):
        parts = module.split(".")
        if parts[0] == "blend" and len(parts) > 1 and parts[1] in ORDER:
            assert parts[1] in ALLOWED[folder], f"{folder} may not import {module}"


@pytest.mark.parametrize("folder", STOREYS)
def test_every_module_of_a_folder_with_rooms_stands_in_one(folder: str) -> None:
    loose = [path.name for path in (PACKAGE / folder).glob("*.py") if path.stem != "__init__"]
    assert not loose, "put these into a room"
    rooms = {path.parent.name for path in (PACKAGE / folder).glob("*/__init__.py")}
    assert rooms == {room for storey in STOREYS[folder] for room in storey}


@pytest.mark.parametrize("folder", STOREYS)
def test_rooms_keep_their_order(folder: str) -> None:
    level = {room: number for number, storey in enumerate(STOREYS[folder]) for room in storey}
    graph: dict[str, set[str]] = {room: set() for room in level}
    for path in (PACKAGE / folder).rglob("*.py"):
        here = room_of(name_of(path))
        for module in imports_of(path) if here else ():
            there = room_of(module)
            if there and there != here and there.split(".")[1] == folder:
                mine, other = str(here).split(".")[2], there.split(".")[2]
                assert level[other] <= level[mine], f"{path.relative_to(PACKAGE)} may not import {module}"
                graph[mine].add(other)
    assert not circle_in(graph)


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_others_come_in_by_the_door(path: Path) -> None:
    """From outside a room's `__init__` is asked, from inside the module itself."""
    here = room_of(name_of(path))
    for module, name in imported(path):
        there = room_of(module)
        if there is None or path == PACKAGE / "app" / "cli" / "__init__.py":
            continue
        if there == here:
            assert module != there or path.parent / f"{name}.py" in MODULES, f"name the module, not {module}"
            continue
        assert module == there, f"import {name} from {there}, not from {module}"
        home = PACKAGE.joinpath(*there.split(".")[1:])
        assert name in offered(home / "__init__.py") or home / f"{name}.py" in MODULES, (
            f"{there} has no {name}"
        )


@pytest.mark.parametrize(
    "door", sorted(p for p in MODULES if p.name == "__init__.py" and offered(p)), ids=lambda p: p.parent.name
)
def test_a_door_gives_what_it_offers_and_hides_no_module(door: Path) -> None:
    room = import_module(name_of(door))
    names = offered(door)
    assert sorted(names) == room.__all__ and len(set(names)) == len(names)
    for name in names:
        assert getattr(room, name) is not None
    assert not set(names) & {path.stem for path in door.parent.glob("*.py")}, "a module would hide the name"
    with pytest.raises(AttributeError, match="nothing_of_that_name"):
        _ = room.nothing_of_that_name


@pytest.mark.parametrize(
    ("library", "home"),
    [
        ("numba", "base/jit.py"),
        ("sep", "science/stars/detect.py"),
        ("click", "app/cli/"),
        ("ctypes", "base/system.py"),
        ("signal", "base/system.py"),
    ],
)
def test_a_library_is_named_in_one_place(library: str, home: str) -> None:
    users = {
        path.relative_to(PACKAGE).as_posix()
        for path in MODULES
        if library in {module.split(".")[0] for module in imports_of(path)}
    }
    assert users and all(user.startswith(home) for user in users), users


def test_what_only_some_systems_have_is_named_in_one_place() -> None:
    words = re.compile(
        r"\b(resource|fcntl|msvcrt|pthread_sigmask|sched_getaffinity|O_[A-Z]+|/proc/\w+|os\.link)\b"
    )
    for path in MODULES:
        if path != PACKAGE / "base" / "system.py":
            code = "\n".join(line.split("  # ")[0] for line in path.read_text(encoding="utf-8").splitlines())
            found = set(words.findall(code))
            assert not found, f"{path.relative_to(PACKAGE)} names {found}; base/system.py has a portable way"


def test_science_knows_no_files_and_no_master() -> None:
    for path in (PACKAGE / "science").rglob("*.py"):
        assert not {name for _, name in imported(path)} & {"Master", "Facts", "Path"}, path


def test_no_step_reads_the_report() -> None:
    """Pixels never depend on what is told of them: the record is written by steps, and read by nothing before it."""
    keepers = {PACKAGE / "recipe" / "state.py", PACKAGE / "recipe" / "packing.py"}
    readers = [
        f"{path.relative_to(PACKAGE)}:{node.lineno}"
        for path in MODULES
        if path.relative_to(PACKAGE).parts[0] in ("base", "science", "recipe") and path not in keepers
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Attribute) and node.attr in ("recorded", "warnings", "diagnostics")
    ]
    assert not readers, "give the state a field for it (recipe/state.py)"


def test_weights_of_luminance_stand_once_and_no_formula_is_asked_for_its_name() -> None:
    weights, asked = set(), set()
    for path in MODULES:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Constant) and node.value == 0.7152:
                weights.add(path.relative_to(PACKAGE).as_posix())
            if isinstance(node, ast.Compare) and "'emission-add'" in ast.dump(node):
                asked.add(path.relative_to(PACKAGE).as_posix())
    assert weights == {"science/picture/colour.py"} and not asked
    scripts = list((PACKAGE / "pages" / "templates").glob("*.js"))
    assert scripts and not [script.name for script in scripts if "0.7152" in script.read_text()]


def test_there_are_no_circles() -> None:
    names = {name_of(path): path for path in MODULES}
    assert not circle_in({name: imports_of(path) & set(names) for name, path in names.items()})


def test_no_room_is_most_of_the_house() -> None:
    lines: dict[str, int] = {}
    for path in PACKAGE.rglob("*.py"):
        place = path.parent.relative_to(PACKAGE).as_posix()
        lines[place] = lines.get(place, 0) + len(path.read_text(encoding="utf-8").splitlines())
    total = sum(lines.values())
    assert not {place: count for place, count in lines.items() if count > LARGEST_SHARE * total}


def test_the_door_opens_to_every_name_it_promises() -> None:
    code = "import blend; print(all(getattr(blend, name) is not None for name in blend.__all__))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "True"


def test_numbers_with_a_name_have_a_reason() -> None:
    """Beside each stands why: a source, a measurement, a derivation, or that it was chosen and not measured."""
    found: dict[str, list[str]] = {}
    for path in MODULES:
        folder, room = path.relative_to(PACKAGE).parts[:2]
        names = [f"{path.name}: {name}" for name in unexplained(path.read_text(encoding="utf-8"))]
        found.setdefault(f"{folder}/{room}" if folder == "science" else folder, []).extend(names)
    for place, names in found.items():
        assert not names, f"{place} has numbers without a reason: {names}"


def raises_itself(function: ast.FunctionDef) -> bool:
    """Return whether a function raises in its own body, that of functions inside it aside."""
    left: list[ast.AST] = list(function.body)
    while left:
        node = left.pop()
        if isinstance(node, ast.Raise) and node.exc is not None:
            return True
        if not isinstance(node, ast.FunctionDef | ast.ClassDef | ast.Lambda):
            left.extend(ast.iter_child_nodes(node))
    return False


def public_functions(body: list[ast.stmt], path: str = "") -> Iterator[tuple[str, ast.FunctionDef]]:
    """Give the public functions and methods of a module's body by their names."""
    for node in body:
        if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
            yield path + node.name, node
        elif isinstance(node, ast.ClassDef) and not node.name.startswith("_"):
            yield from public_functions(node.body, f"{path}{node.name}.")


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_what_a_public_function_raises_stands_in_its_docstring(path: Path) -> None:
    """Under Raises, for each that raises in its own body; commands are left out, whose docstring is their help."""
    if path.is_relative_to(PACKAGE / "app" / "cli"):
        return
    functions = public_functions(ast.parse(path.read_text(encoding="utf-8")).body)
    silent = [
        name
        for name, node in functions
        if raises_itself(node) and "\nRaises\n------\n" not in (ast.get_docstring(node) or "")
    ]
    assert not silent, "say under Raises what they raise and when"


def test_a_reason_may_stand_on_above_or_below_a_number() -> None:
    assert unexplained("A = 3\n\nB = 4  # pixels\n") == ["A = 3"]
    assert not unexplained("# of a frame\nA = (1, -2.5)\nB = 2**3\n")
    assert not unexplained('A = 1\nB = 2\n"""Both of a frame."""\n')
    assert unexplained("def f():\n    return 1  # pixel\nA = 3\n") == ["A = 3"]
    assert unexplained('A = "word"\nB = True\nC = [1, 2]\n\n"""Of something else."""\n') == ["C = [1, 2]"]


def test_tests_use_private_names_less_and_less() -> None:
    for path in sorted(TESTS.rglob("*.py")):
        place = path.relative_to(TESTS).as_posix()
        found = private_names(path)
        assert found <= PRIVATE_IN_TESTS.get(place, set()), f"{place}: test what it does, not its parts"


def has_a_mirror(path: Path) -> bool:
    """Return whether a test has a module's name, or stands in its room and imports it."""
    folder = path.relative_to(PACKAGE).parent
    rooms = [TESTS / folder, TESTS / "laws", TESTS / "outside"] + [TESTS / "recipe"] * (
        folder.parts[:1] == ("recipe",)
    )
    if any((room / f"test_{path.stem}.py").is_file() for room in rooms):
        return True
    return any(name_of(path) in asked_for(file) for room in rooms for file in room.glob("test_*.py"))


def test_every_module_has_a_test_or_is_reached_through_one() -> None:
    modules = {path.relative_to(PACKAGE).with_suffix("").as_posix(): path for path in MODULES}
    listed = {module: file for file, reached in REACHED_THROUGH.items() for module in reached}
    bare = {
        name for name, path in modules.items() if not path.stem.startswith("__") and not has_a_mirror(path)
    }
    assert bare <= set(listed), f"no test knows {sorted(bare - set(listed))}"
    names = {name_of(path): path for path in MODULES}
    for name, file in listed.items():
        known: set[str] = set()
        more = [TESTS / file]
        while more:
            new = asked_for(more.pop()) & set(names) - known
            known |= new
            more += [names[module] for module in new]
        assert name_of(modules[name]) in known, f"{file} does not come to {name}"
