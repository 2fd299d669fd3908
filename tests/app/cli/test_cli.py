"""The command line as a user meets it: exit codes, messages, what goes where."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from click.testing import CliRunner, Result

from blend.app.cli import commands as cli


def blend(*words: str | Path) -> subprocess.CompletedProcess[str]:
    """Run the command as a whole process."""
    command = [sys.executable, "-c", "from blend.app.cli import main; main()", *map(str, words)]
    return subprocess.run(command, capture_output=True, text=True, check=False)


def star_field(rng: np.random.Generator, shape: tuple[int, int] = (160, 200), stars: int = 40) -> np.ndarray:
    """Return a small linear picture with stars on a sky."""
    y, x = np.mgrid[: shape[0], : shape[1]]
    plane = 0.1 + rng.normal(0, 0.001, shape)
    for cx, cy, peak in zip(
        rng.uniform(8, shape[1] - 8, stars),
        rng.uniform(8, shape[0] - 8, stars),
        rng.uniform(0.02, 0.4, stars),
        strict=True,
    ):
        plane += peak * np.exp(-((x - cx) ** 2 + (y - cy) ** 2) / 4.5)
    return plane.astype(np.float32)


@pytest.fixture
def sound(tmp_path: Path) -> tuple[Path, Path]:
    """Write a small colour master and a line master of the same field, and return their paths."""
    rng = np.random.default_rng(3)
    plane = star_field(rng)
    rgb = np.stack([plane + rng.normal(0, 0.001, plane.shape) for _ in range(3)]).astype(np.float32)
    fits.writeto(tmp_path / "rgb.fits", rgb)
    fits.writeto(tmp_path / "ha.fits", (0.2 * plane).astype(np.float32))
    return tmp_path / "rgb.fits", tmp_path / "ha.fits"


def run(*words: str | Path) -> Result:
    """Call the command inside this process, through its one boundary for faults."""
    return CliRunner().invoke(cli.blend, [str(word) for word in words])


def test_help_imports_nothing_heavy() -> None:
    code = (
        "import sys\nfrom click.testing import CliRunner\nfrom blend.app.cli.commands import blend\n"
        "CliRunner().invoke(blend, ['--help'])\n"
        "heavy = ('numpy', 'scipy', 'astropy', 'pydantic', 'numba', 'rich', 'matplotlib')\n"
        "print([m for m in heavy if m in sys.modules])"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "[]"


@pytest.mark.parametrize(
    ("words", "code", "message"),
    [
        (("run", "galaxy-moonlit"), 2, "neither a target file nor -m options"),
        (("run", "galaxy-moonlt", "-m", "rgb=a.fits"), 3, "there is no such file"),
        (("explain", "galaxy-moonlt"), 2, "no such recipe file, and no shipped recipe of that name"),
        (("formulas", "scren"), 2, "Did you mean 'screen'?"),
        (("inspect", "nowhere.fits"), 3, "nowhere.fits"),
        (("no-such-command",), 2, "No such command"),
        (("schema", "nothing"), 2, "Invalid value"),
    ],
)
def test_wrong_use_is_told_with_its_exit_code(words: tuple[str, ...], code: int, message: str) -> None:
    done = blend(*words)
    assert done.returncode == code, done.stderr
    assert message in done.stderr
    assert "Traceback" not in done.stderr
    assert done.stdout == ""


def bad_file(kind: str, path: Path, good: Path) -> None:
    """Write a bad line master of some kind."""
    size = (160, 200)
    rng = np.random.default_rng(5)
    if kind == "missing":
        return
    if kind == "empty":
        path.write_bytes(b"")
    elif kind == "truncated":
        path.write_bytes(good.read_bytes()[:9000])
    elif kind == "text":
        path.write_text("SIMPLE as it may seem, this is a letter.\n")
    elif kind == "all-nan":
        fits.writeto(path, np.full(size, np.nan, dtype=np.float32))
    elif kind == "constant":
        fits.writeto(path, np.full(size, 0.25, dtype=np.float32))
    elif kind == "pure-noise":
        fits.writeto(path, rng.normal(0.1, 0.01, size).astype(np.float32))
    elif kind == "two-stars":
        fits.writeto(path, star_field(rng, stars=2))
    elif kind == "two-planes":
        fits.writeto(path, np.stack([star_field(rng)] * 2))
    else:
        raise AssertionError(kind)


@pytest.mark.parametrize(
    ("kind", "code"),
    [
        ("missing", 3),
        ("empty", 3),
        ("truncated", 3),
        ("text", 3),
        ("all-nan", 3),
        ("constant", 3),
        ("two-planes", 3),
        ("pure-noise", 4),
        ("two-stars", 4),
    ],
)
def test_a_bad_line_master_is_refused_in_plain_words(
    sound: tuple[Path, Path], tmp_path: Path, kind: str, code: int
) -> None:
    path = tmp_path / "bad.fits"
    bad_file(kind, path, sound[1])
    done = blend(
        "run",
        "galaxy-moonlit",
        "-m",
        f"rgb={sound[0]}",
        "-m",
        f"ha={path}",
        "--out",
        tmp_path / "out",
        "--quiet",
    )
    assert done.returncode == code, done.stderr
    assert "Traceback" not in done.stderr
    assert "Do this:" in done.stderr
    assert not (tmp_path / "out").exists()


def test_wrong_sizes_are_refused_where_one_grid_is_promised(sound: tuple[Path, Path], tmp_path: Path) -> None:
    fits.writeto(tmp_path / "small.fits", star_field(np.random.default_rng(1), shape=(90, 90)))
    done = blend(
        *("run", "galaxy-moonlit", "-m", f"rgb={sound[0]}", "-m", f"ha={tmp_path / 'small.fits'}"),
        *("--set", "register.transform=none", "--out", tmp_path / "out", "--quiet"),
    )
    assert done.returncode in (3, 4)
    assert "90" in done.stderr


@pytest.mark.parametrize(
    ("setting", "message"),
    [
        ("blend.red.formla=screen", "formla"),
        ("stretch.sky_level=nan", "stretch.sky_level"),
        ("stretch.sky_level=7", "stretch.sky_level"),
        ("blend.red.amount=-1", "blend.red.amount"),
        ("blend.purple.amount=1", "blend.purple"),
        ("nonsense", "nonsense"),
    ],
)
def test_wrong_settings_are_told(
    sound: tuple[Path, Path], tmp_path: Path, setting: str, message: str
) -> None:
    done = blend(
        *("run", "galaxy-moonlit", "-m", f"rgb={sound[0]}", "-m", f"ha={sound[1]}"),
        *("--set", setting, "--out", tmp_path / "out", "--quiet"),
    )
    assert done.returncode == 2, done.stderr
    assert message in done.stderr


def test_a_file_in_the_way_of_the_output_folder_ends_with_2(sound: tuple[Path, Path], tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    done = blend(
        *("run", "galaxy-moonlit", "-m", f"rgb={sound[0]}", "-m", f"ha={sound[1]}"),
        *("--out", tmp_path / "file" / "out", "--quiet"),
    )
    # wrong use, told before any work; 5 is for disks that fail
    assert done.returncode == 2, done.stderr
    assert "in the way of a folder" in done.stderr
    assert (tmp_path / "file").read_text() == "in the way"


def test_a_sound_run_prints_a_table_and_leaves_everything(sound: tuple[Path, Path], tmp_path: Path) -> None:
    out = tmp_path / "out"
    done = blend("run", "galaxy-moonlit", "-m", f"rgb={sound[0]}", "-m", f"ha={sound[1]}", "--out", out)
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    assert [line.split()[0] for line in lines] == ["blend:", "picture", "page", "numbers"]
    assert "Alignment: " in lines[3] and "done, look" in lines[0]  # nobody stated the filter's width
    assert "\r" not in done.stderr
    names = {"result.fits", "result.tif", "linear.fits", "emission.fits", "star-mask.fits", "preview.png"}
    names |= {"emission-sigma.fits", "emission-weight.fits", "report.html", "record.json"}
    assert names == {path.name for path in out.iterdir()}


def test_json_is_the_record(sound: tuple[Path, Path], tmp_path: Path) -> None:
    out = tmp_path / "out"
    done = blend(
        "run", "galaxy-moonlit", "-m", f"rgb={sound[0]}", "-m", f"ha={sound[1]}", "--out", out, "--json"
    )
    assert json.loads(done.stdout) == json.loads((out / "record.json").read_text())


def test_check_lists_faults_of_recipe_and_target_together(tmp_path: Path) -> None:
    (tmp_path / "r.toml").write_text('version = 1\n[stretch]\ncurve = "asin"\nsky = 1\n')
    (tmp_path / "t.toml").write_text('name = "x"\n[masters.rgb]\nlight = "gone.fits"\n')
    done = blend("check", tmp_path / "r.toml", tmp_path / "t.toml")
    assert done.returncode == 2
    assert len(done.stderr.strip().splitlines()) == 3
    assert "Did you mean 'asinh'" in done.stderr
    assert "gone.fits" in done.stderr


def test_explain_and_formulas_and_schema_speak() -> None:
    assert "emission-add" in run("explain", "galaxy-moonlit").output
    assert "1 - (1 - base) * (1 - line)" in run("formulas").output
    assert "W3C" in run("formulas", "screen").output
    assert json.loads(run("schema", "recipe").output)["properties"]["blend"]


def test_inspect_tells_what_a_file_is(sound: tuple[Path, Path]) -> None:
    told = json.loads(run("inspect", "--json", sound[0]).output)[0]
    assert (told["rows"], told["columns"]) == (160, 200)
    assert told["linear"] is True
    assert told["planes"]["red"]["stars"] > 10
    # The sky was drawn at 0.1 with noise of 0.001 in two parts.
    assert told["planes"]["red"]["sky"] == pytest.approx(0.1, abs=0.001)
    assert "FWHM" in run("inspect", sound[0]).output


@pytest.mark.skipif(os.geteuid() == 0, reason="root may write everywhere")
def test_a_folder_without_permission_ends_with_5(sound: tuple[Path, Path], tmp_path: Path) -> None:
    (tmp_path / "locked").mkdir(mode=0o500)
    done = blend(
        *("run", "galaxy-moonlit", "-m", f"rgb={sound[0]}", "-m", f"ha={sound[1]}"),
        *("--out", tmp_path / "locked" / "out", "--quiet"),
    )
    assert done.returncode == 5


def test_a_second_run_leaves_nothing_of_the_first(sound: tuple[Path, Path], tmp_path: Path) -> None:
    words = (
        "run",
        "galaxy-moonlit",
        "-m",
        f"rgb={sound[0]}",
        "-m",
        f"ha={sound[1]}",
        "--out",
        tmp_path / "out",
    )
    assert blend(*words, "--set", 'output.formats=["fits","jpeg","tiff"]', "--quiet").returncode == 0
    (tmp_path / "out" / "result.tif").write_bytes(b"the user's own now")
    (tmp_path / "out" / "notes.txt").write_text("the user's own")
    assert blend(*words, "--set", 'output.formats=["png"]', "--quiet").returncode == 0
    left = {path.name for path in (tmp_path / "out").iterdir()}
    # What the first run made is gone, unless somebody has changed it; what it did not make stays.
    assert left == {"preview.png", "report.html", "record.json", "result.tif", "notes.txt"}


def test_an_output_that_cannot_be_is_refused_before_the_long_steps(
    sound: tuple[Path, Path], tmp_path: Path
) -> None:
    words = (
        "run",
        "galaxy-moonlit",
        "-m",
        f"rgb={sound[0]}",
        "-m",
        f"ha={sound[1]}",
        "--out",
        tmp_path / "out",
    )
    done = blend(*words, "--set", "output.up=north")
    assert done.returncode == 4
    assert "no celestial coordinates" in done.stderr
    assert "gradient" not in done.stderr
