"""Words of the command line that are nearly right get a hint that fits, and one bad file hides no good one."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from blend.app.cli import blend
from blend.app.demo import write_night
from blend.app.inspect import inspect_files
from blend.app.variants import parse_variation
from blend.base.errors import BlendError, InputError, RecipeError
from blend.science.simulate import SceneOptions, simulate_night


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("night")
    write_night(simulate_night(SceneOptions(rows=200, columns=300, calibrated=True)), folder)
    return folder


def call(*words: object) -> Result:
    return CliRunner().invoke(blend, [str(word) for word in words])


def fault_of(result: Result) -> BlendError:
    assert isinstance(result.exception, BlendError)
    return result.exception


def test_good_files_are_told_beside_bad_ones(night: Path, tmp_path: Path) -> None:
    empty = tmp_path / "empty.fits"
    empty.touch()
    words = (night / "rgb-light.fits", empty, night / "ha-light.fits", tmp_path / "nope.fits")
    result = call("inspect", *words)
    for good in (words[0], words[2]):
        assert f"{good}\n  FITS," in result.stdout
    fault = fault_of(result)
    assert fault.exit_code == 3
    assert [line.partition(":")[0] for line in str(fault).splitlines()] == [str(empty), str(words[3])]


def test_json_has_an_entry_for_each_file_bad_ones_with_their_error(night: Path, tmp_path: Path) -> None:
    words = [tmp_path / "nope.fits", night / "ha-light.fits"]
    told = inspect_files(words, as_json=True)
    bad, good = json.loads(told.text)
    assert bad["path"] == str(words[0]) and "there is no such file" in bad["error"]
    assert "error" not in good and good["planes"]
    assert told.faults is not None


def test_bad_files_alone_print_nothing(tmp_path: Path) -> None:
    result = call("inspect", tmp_path / "nope.fits")
    assert result.stdout == ""
    assert isinstance(result.exception, BlendError)


@pytest.mark.parametrize("words", ["0:1", "0:", "0:1:2:3", "0::1", "-1:1"])
def test_a_range_takes_three_numbers(words: str) -> None:
    with pytest.raises(RecipeError, match="expected START:STOP:STEP") as caught:
        parse_variation(f"blend.red.amount={words}")
    assert "blend.red.amount=0:1:0.25" in str(caught.value)


@pytest.mark.parametrize("command", ["run", "check", "explain", "try"])
def test_pictures_are_no_target_files(command: str, night: Path) -> None:
    two = fault_of(call(command, "galaxy-moonlit", night / "rgb-light.fits", night / "ha-light.fits"))
    assert "-m rgb=FILE -m ha=FILE" in str(two) and two.exit_code == 2
    one = fault_of(call(command, "galaxy-moonlit", night / "rgb-light.fits"))
    assert "this is a picture" in str(one) and one.exit_code == 2


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("-m", "rgb=gone.fits"), "mend -m rgb=FILE,"),
        (("-m", "rgb.red=a", "-m", "rgb.green=b", "-m", "rgb.blue=c"), "mend -m rgb.red=FILE,"),
        (("-m", "rgb=r.fits", "--flat-dark", "rgb=gone.fits"), "mend --flat-dark rgb=FILE,"),
        (("-m", "rgb=r.fits", "--catalogue", "rgb=gone.csv"), "mend --catalogue rgb=FILE,"),
    ],
)
def test_a_missing_file_names_its_option(words: tuple[str, ...], told: str) -> None:
    fault = fault_of(call("run", "galaxy-moonlit", *words))
    assert told in str(fault)
    assert "target file" not in str(fault)
    assert isinstance(fault, InputError)
