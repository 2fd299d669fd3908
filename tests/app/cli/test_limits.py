"""Streams that are closed, a folder that is gone, numbers and keys without end: a sentence and a code."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from click.testing import CliRunner

from blend.app.cli import commands as cli
from blend.app.run.replay import replay_record
from blend.base.errors import BlendError, FaultList, InputError, RecipeError
from blend.recipe.model import load_recipe, resolved
from blend.recipe.target import load_target
from blend.recipe.toml import MOST_PARTS, parse_setting, read_toml

BLEND = [sys.executable, "-c", "from blend.app.cli import main; main()"]


def shell(words: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """Run a line of the shell in which $BLEND is the program."""
    line = words.replace("$BLEND", f"'{sys.executable}' -c 'from blend.app.cli import main; main()'")
    done = subprocess.run(
        ["bash", "-c", line], cwd=folder, capture_output=True, text=True, timeout=120, check=False
    )
    assert "Traceback" not in done.stderr and "unexpected" not in done.stderr, done.stderr
    return done


@pytest.mark.parametrize(
    ("words", "code", "says"),
    [
        ("$BLEND formulas >&-", 5, "standard output: it is closed"),
        ("$BLEND --version >&-", 5, "standard output: it is closed"),
        ("$BLEND formulas >&- 2>&-", 5, ""),
        ("$BLEND formulas 2>&-", 0, ""),
        ("$BLEND formulas <&-", 0, ""),
        ("$BLEND inspect nothing.fits 2>&-", 3, ""),
        ("$BLEND formulas >/dev/full", 5, "could not be written (No space left on device)"),
        ("set -o pipefail; $BLEND schema recipe | head -0", 0, ""),
        (
            "mkdir d; cd d; rmdir ../d; $BLEND run galaxy-moonlit -m rgb=a -m ha=b",
            2,
            "the working folder is gone",
        ),
        ("mkdir d; cd d; rmdir ../d; $BLEND check galaxy-moonlit x.toml", 2, ""),
        ("mkdir d; cd d; rmdir ../d; $BLEND inspect x.fits", 3, "there is no such file"),
        ("mkdir d; cd d; rmdir ../d; $BLEND formulas", 0, ""),
    ],
)
def test_closed_streams_and_a_folder_that_is_gone(tmp_path: Path, words: str, code: int, says: str) -> None:
    done = shell(words, tmp_path)
    assert done.returncode == code and says in done.stderr, (done.returncode, done.stderr)


def test_a_stream_that_is_closed_later_counts_too(tmp_path: Path) -> None:
    program = "import os; os.close(1); from blend.app.cli import main; main()"
    done = subprocess.run(
        [sys.executable, "-c", program, "formulas"], capture_output=True, text=True, check=False
    )
    assert done.returncode == 5 and "standard output: it is closed" in done.stderr


@pytest.mark.parametrize("number", ["nan", "inf", "-inf", "-1", "9" * 400])
@pytest.mark.parametrize(
    "words",
    [
        "try galaxy-moonlit x.toml --store-gib",
        "stack light x --out y --kappa",
        "stack light x --out y --gain",
        "inspect x --gain",
        "inspect x --read-noise",
    ],
)
def test_numbers_of_the_command_line_are_finite(words: str, number: str) -> None:
    done = CliRunner().invoke(cli.blend, [*words.split(), number])
    assert done.exit_code == 2 and "Invalid value" in done.output


@pytest.mark.parametrize("words", ["inspect PATH", "check galaxy-moonlit PATH", "replay PATH", "check PATH"])
@pytest.mark.parametrize("path", ["x" * 300, "y/" * 3000, "loop", "/dev/zero"])
def test_paths_that_name_no_file(words: str, path: str, tmp_path: Path) -> None:
    (tmp_path / "loop").symlink_to("loop")
    command = [*BLEND, *words.replace("PATH", path).split()]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode in (2, 3)
    assert "unexpected" not in done.stderr and len(done.stderr) < 1000


LONG = [
    ("x = " + "9" * 5000, "r.toml, line 2: a word or number of 5000 characters; expected at most 200"),
    ("x = 0x" + "F" * 90_000, "a word or number of 90002 characters"),
    ("a." * 40_000 + "a = 1", f"line 2: a key of more than {MOST_PARTS} parts; expected section.key"),
    ("[" + "a." * 40_000 + "a]", f"a key of more than {MOST_PARTS} parts"),
    ("'a' . \"b\" ." * 40 + "c = 1", f"a key of more than {MOST_PARTS} parts"),
    ('x = {y = """a"b""", ' + "a." * 400 + 'b = 1, z = """a"b"""}', f"a key of more than {MOST_PARTS} parts"),
    ('x = {y = "\\"", ' + "a." * 400 + 'b = "\\""}', f"a key of more than {MOST_PARTS} parts"),
    ("x = " + "{a=" * 60 + "1" + "}" * 60, "arrays or tables nested too deep"),
    ("x = " + "[" * 60 + "]" * 60, "arrays or tables nested too deep"),
]


@pytest.mark.parametrize(("line", "words"), LONG)
def test_toml_without_end_is_refused_before_it_is_parsed(
    line: str, words: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    parsed: list[str] = []
    whole = tomllib.loads
    monkeypatch.setattr(tomllib, "loads", lambda text: parsed.append(text) or whole(text))
    with pytest.raises(FaultList) as fault:
        read_toml(f"version = 1\n{line}\n", where="r.toml")
    assert words in str(fault.value)
    # the parser alone takes 40 s for 80 kB of a dotted key; what it gets is short
    assert sum(map(len, parsed)) < 500


def test_long_texts_and_comments_are_no_keys() -> None:
    text = f"# {'a.' * 500}\nx = '{'a.' * 500}'\ny = \"{'f' * 5000}\"\nz = '''\n{'9.' * 500}\n'''\nw = {'a.' * 9}b = 1"
    with pytest.raises(FaultList, match="line 7: not TOML"):
        read_toml(text, where="r.toml")
    assert read_toml(text.rpartition("\n")[0], where="r.toml")["y"] == "f" * 5000


def test_settings_without_end_are_refused_too() -> None:
    with pytest.raises(RecipeError, match=r"stretch\.sky_level: a word or number of 5000 characters"):
        parse_setting("stretch.sky_level=" + "9" * 5000)
    with pytest.raises(FaultList, match=r"a\.a\.a\..*: not a dotted key"):
        load_recipe("version = 1", where="r.toml", settings={"a." * 50_000 + "a": 1})


def test_a_thousand_faults_are_not_a_thousand_lines(tmp_path: Path) -> None:
    with pytest.raises(FaultList) as fault:
        load_recipe("".join(f"key{number} = 1\n" for number in range(5000)), where="r.toml")
    assert str(fault.value).count("\n") <= 101 and "more" in str(fault.value).splitlines()[-1]
    with pytest.raises(BlendError) as other:
        load_target("name = 'x'\n[masters.rgb]\n'' = 1\nlight = 'x'\n", where="t.toml", folder=tmp_path)
    assert "there is no key ''" in str(other.value)


@pytest.mark.parametrize("place", ["recipe", "setup"])
def test_a_record_that_tells_nonsense_is_a_faulty_input(tmp_path: Path, place: str) -> None:
    record = {
        "version": 1,
        "target": "t",
        "recipe": resolved(load_recipe("version = 1", where="r")),
        "setup": {"rgb": {}},
    }
    record |= {"inputs": [], "outputs": []}
    record[place] = {"stretch": {"sky_level": "high"}, "rgb": {"": {}}}
    (tmp_path / "record.json").write_text(json.dumps(record))
    with pytest.raises(InputError, match="what it says of recipe or masters cannot be read") as fault:
        replay_record(tmp_path / "record.json")
    assert fault.value.exit_code == 3 and os.fspath(tmp_path) in fault.value.where
