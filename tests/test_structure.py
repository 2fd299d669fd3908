"""Who may know whom: a folder imports only from folders above it, and there are no circles."""

from __future__ import annotations

import ast
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "blend"
ORDER = ("base", "science", "recipe", "files", "pages", "app")
ALLOWED = {folder: set(ORDER[: index + 1]) for index, folder in enumerate(ORDER)} | {
    "files": {"base", "files"}
}
MODULES = sorted(path for folder in ORDER for path in (PACKAGE / folder).rglob("*.py"))


def imports_of(path: Path) -> Iterator[str]:
    """Give the modules of the package that a file imports, at the top or inside functions."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.level == 0:
            yield node.module
        elif isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)


@pytest.mark.parametrize("path", MODULES, ids=lambda path: str(path.relative_to(PACKAGE)))
def test_a_folder_imports_only_from_folders_above_it(path: Path) -> None:
    folder = path.relative_to(PACKAGE).parts[0]
    for module in imports_of(path):
        parts = module.split(".")
        if parts[0] == "blend" and len(parts) > 1 and parts[1] in ORDER:
            assert parts[1] in ALLOWED[folder], f"{folder} may not import {module}"


@pytest.mark.parametrize(
    ("library", "home"), [("numba", "base/jit.py"), ("sep", "science/detect.py"), ("click", "app")]
)
def test_a_library_is_named_in_one_place(library: str, home: str) -> None:
    users = {
        str(p.relative_to(PACKAGE)) for p in MODULES if library in {m.split(".")[0] for m in imports_of(p)}
    }
    assert all(user.startswith(home) for user in users), users


def test_science_knows_no_files_and_no_master() -> None:
    for path in (PACKAGE / "science").rglob("*.py"):
        names = {
            a.name
            for n in ast.walk(ast.parse(path.read_text()))
            if isinstance(n, ast.ImportFrom)
            for a in n.names
        }
        assert not names & {"Master", "Facts", "Path"}, path


def test_there_are_no_circles() -> None:
    names = {".".join(("blend", *p.relative_to(PACKAGE).with_suffix("").parts)): p for p in MODULES}
    graph = {name: {m for m in imports_of(path) if m in names} for name, path in names.items()}
    done: set[str] = set()

    def visit(name: str, trail: tuple[str, ...]) -> None:
        assert name not in trail, " -> ".join((*trail, name))
        if name not in done:
            for other in sorted(graph[name]):
                visit(other, (*trail, name))
            done.add(name)

    for name in graph:
        visit(name, ())


def test_the_door_opens_to_every_name_it_promises() -> None:
    code = "import blend; print(all(getattr(blend, name) is not None for name in blend.__all__))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "True"
