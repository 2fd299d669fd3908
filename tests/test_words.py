"""The trade's words on screen: no word of this house in what a user sees, whatever part of the program says it."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from pathlib import Path

import pytest

PROJECT = Path(__file__).parent.parent
INSTEAD = {
    r"knots?": "H II region, compact part",
    r"plant(s|ed|ing)?": "inject",
    r"(un)?fad(e|ed|es|ing)": "significance weight",
    r"half-size|half (the|its) size": "binned 2 x 2",
    r"films?": "positive offset",
    r"told|tells": "reported, shows, says",
    r"nought|naught": "zero",
    r"thrice": "three times",
    r"reckon(s|ed)?": "measure, compute",
    r"covers|covering": "overlap",
    r"figures? of four": "quads",
    r"to know": "warnings",
    r"electrons (a|per) count": "e-/count",
    r"a core": "one per core",
    r"kin|lest|whence|hence|thither|betwixt|asunder": "plain words",
    r"be [A-Z] the": "with",
    r"invented (moonlit )?(night|galax|pair|masters)\w*": "simulated",
    r"end to end|corner to corner": "range across the frame",
}
"""Words that a user does not read here, and what is written instead."""
WORDS = re.compile(rf"\b({'|'.join(INSTEAD)})\b", re.IGNORECASE)
FINE = re.compile(r"need to know|--plant")
"""Plain English that only looks like one of them."""
KEPT = {
    "blend/recipe/old_keys.py": "names the old keys",
    "blend/recipe/packing.py": "names of stored arrays",
    "blend/science/simulated/night.py": "seeds of the simulated nights, never shown",
    "blend/science/simulated/scene.py": "seeds of the simulated nights, never shown",
    "blend/science/simulated/camera.py": "seeds of the simulated nights, never shown",
}


def shown(path: Path) -> Iterator[tuple[int, str]]:
    """Give the texts of a module that can reach a user: its string literals, but for docstrings."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    bare = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    commands = [node for node in ast.walk(tree) if isinstance(node, ast.FunctionDef) and _is_command(node)]
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and isinstance(node.value, str) and id(node) not in bare:
            yield node.lineno, node.value
    for command in commands:  # their docstrings are help
        yield command.lineno, ast.get_docstring(command) or ""


def _is_command(node: ast.FunctionDef) -> bool:
    return any(
        "command" in ast.unparse(each) or "option" in ast.unparse(each) for each in node.decorator_list
    )


def visible(text: str) -> str:
    """Return the words of a page's template that are shown: no tags, no code of the template."""
    text = re.sub(r"\{[%{#].*?[%}#]\}", " ", text, flags=re.DOTALL)
    text = re.sub(r"<(style|script).*?</\1>", " ", text, flags=re.DOTALL)
    said = " ".join(re.findall(r'(?:title|alt|aria-label|placeholder)="([^"]*)"', text))
    return f"{re.sub(r'<[^>]*>', ' ', text)} {said}"


def papers() -> Iterator[tuple[str, str]]:
    """Give what a user reads: name and text."""
    for path in sorted((PROJECT / "blend").rglob("*.py")):
        name = str(path.relative_to(PROJECT))
        if name not in KEPT:
            yield name, "\n".join(text for _, text in shown(path))
    for path in sorted((PROJECT / "blend" / "pages" / "templates").glob("*.html")):
        yield str(path.relative_to(PROJECT)), visible(path.read_text(encoding="utf-8"))
    for path in sorted((PROJECT / "blend" / "pages" / "templates").glob("*.js")):
        literals = re.findall(r'"(?:[^"\\\n]|\\.)*"|`[^`]*`', path.read_text(encoding="utf-8"))
        yield str(path.relative_to(PROJECT)), "\n".join(text for text in literals if " " in text)
    texts = [PROJECT / "README.md", PROJECT / "CHANGELOG.md"]
    texts += [*(PROJECT / "docs").glob("*.md"), *(PROJECT / "recipes").iterdir()]
    texts += [path for path in (PROJECT / "examples").iterdir() if path.suffix in (".toml", ".sh", ".md")]
    for path in sorted(texts):
        if path.name != "measurements.md":  # a notebook, whose old entries stay as they were written
            yield str(path.relative_to(PROJECT)), path.read_text(encoding="utf-8")


def found(text: str) -> list[str]:
    """Return the words of the house in a text, each with what stands round it."""
    text = FINE.sub(" ", " ".join(text.split()))
    return [text[max(0, m.start() - 40) : m.end() + 40] for m in WORDS.finditer(text)]


@pytest.mark.parametrize(("name", "text"), [pytest.param(*paper, id=paper[0]) for paper in papers()])
def test_no_word_of_this_house_is_shown(name: str, text: str) -> None:
    assert not found(text), name


def test_the_check_itself_sees_what_it_is_for() -> None:
    assert found("2 knots planted") and found("Worker processes, one a core") and found("covers 98 %")
    assert not found("cannot tell; you need to know the gain; e-/count")


if __name__ == "__main__":
    for name, text in papers():
        for words in found(text):
            print(f"{name}: {words}")
