"""Who may know whom: folders and rooms in one order, what a room offers stands in its door, and no circles."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections.abc import Iterator
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


def name_of(path: Path) -> str:
    """Return the dotted name of a module or a package."""
    return ".".join(("blend", *path.relative_to(PACKAGE).with_suffix("").parts)).removesuffix(".__init__")


def room_of(name: str) -> str | None:
    """Return the room that a dotted name stands in, as `blend.science.sky`; None outside of rooms."""
    parts = name.split(".")
    folder = STOREYS.get(parts[1], ()) if len(parts) > 2 else ()
    return ".".join(parts[:3]) if any(parts[2] in storey for storey in folder) else None


def imported(path: Path) -> Iterator[tuple[str, str | None]]:
    """Give (module, name) of what a file imports, at the top or inside functions; no name for `import module`."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            yield from ((node.module, alias.name) for alias in node.names)
        elif isinstance(node, ast.Import):
            yield from ((alias.name, None) for alias in node.names)


def imports_of(path: Path) -> set[str]:
    """Return the modules that a file imports."""
    return {module for module, _ in imported(path)}


def offered(door: Path) -> list[str]:
    """Return what a room's `__init__` imports for others: all that stands under `if TYPE_CHECKING`."""
    blocks = [node for node in ast.parse(door.read_text(encoding="utf-8")).body if isinstance(node, ast.If)]
    nodes = [node for block in blocks for node in block.body if isinstance(node, ast.ImportFrom)]
    return [alias.name for node in nodes for alias in node.names]


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
