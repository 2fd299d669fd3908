"""The record: the same bytes for the same values, plain JSON, and faults that say what is wrong."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from blend.base.errors import InputError
from blend.files.record import read_record, record_text, sha256_of, versions


def sound(**changes: Any) -> dict[str, Any]:
    record = {
        "version": 1,
        "recipe": {"title": "x", "blend": {"red": {"amount": 1.0}, "luminance": {"amount": 0.2}}},
        "inputs": [{"role": "rgb.light", "path": "rgb.fits", "sha256": "0" * 64, "bytes": 2880}],
        "outputs": [{"path": "result.fits", "sha256": "1" * 64}],
    }
    return record | changes


def entry(**changes: Any) -> dict[str, Any]:
    return {"role": "rgb.light", "path": "rgb.fits", "sha256": "0" * 64, "bytes": 5} | changes


def test_a_record_comes_back(tmp_path: Path) -> None:
    (tmp_path / "record.json").write_text(record_text(sound()), encoding="utf-8")
    assert read_record(tmp_path / "record.json") == sound()


def test_order_is_kept_where_it_has_a_meaning_and_sorted_elsewhere() -> None:
    record = sound(
        zeta=1,
        versions={"scipy": "1", "numpy": "2"},
        masters={"rgb": {"noise": {64: 1.0, 4: 2.0, 16: 3.0, 1: 4.0}}, "ha": {}},
    )
    back = json.loads(record_text(dict(reversed(record.items()))))
    assert list(back) == ["version", "recipe", "inputs", "outputs", "masters", "versions", "zeta"]
    assert list(back["versions"]) == ["numpy", "scipy"] and list(back["masters"]) == ["ha", "rgb"]
    assert list(back["masters"]["rgb"]["noise"]) == ["1", "4", "16", "64"]
    assert list(back["recipe"]["blend"]) == ["red", "luminance"]
    assert record_text(record) == record_text(dict(reversed(record.items())))


def test_numbers_of_numpy_paths_and_what_is_not_finite() -> None:
    values = {
        "f": np.float32(0.5),
        "i": np.int64(3),
        "b": np.bool_(True),
        "matrix": np.eye(2),
        "nan": float("nan"),
        "inf": np.float64("inf"),
        "path": Path("a/b.fits"),
        "tuple": (1, None),
        "set": {"b", "a"},
        "text": "Hα",
    }
    assert json.loads(record_text({"x": values}))["x"] == {
        "f": 0.5,
        "i": 3,
        "b": True,
        "matrix": [[1.0, 0.0], [0.0, 1.0]],
        "nan": None,
        "inf": None,
        "path": "a/b.fits",
        "tuple": [1, None],
        "set": ["a", "b"],
        "text": "Hα",
    }
    with pytest.raises(TypeError, match="cannot hold a object"):
        record_text({"x": object()})


def test_floats_come_back_to_the_bit() -> None:
    values = np.random.default_rng(1).normal(size=200) * 10.0 ** np.arange(-100, 100)
    assert json.loads(record_text({"x": values}))["x"] == values.tolist()


def test_the_hash_is_that_of_the_bytes(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"abc")
    # FIPS 180-2, appendix B.1: SHA-256 of "abc".
    assert sha256_of(tmp_path / "a") == "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"
    (tmp_path / "b").write_bytes(bytes(3_000_000))
    assert sha256_of(tmp_path / "b") == hashlib.sha256(bytes(3_000_000)).hexdigest()
    with pytest.raises(InputError, match="cannot be read"):
        sha256_of(tmp_path / "none")


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "it is not JSON"),
        ("{", "it is not JSON"),
        ('{"version": NaN}', "NaN is no number of JSON"),
        ("[" * 100_000, "it is not JSON"),
        ("[1]", "it holds no table of keys"),
        ("{}", "it has no 'version'"),
        (json.dumps(sound(version=2)), "its version is 2; expected version 1"),
        (json.dumps(sound(version=True)), "its version is True"),
        (json.dumps(sound(version="1")), "its version is '1'"),
        (json.dumps(sound(recipe=[])), r"recipe is \[\]; expected a table"),
        (json.dumps(sound(recipe={"a": None})), r"recipe.a is missing"),
        (json.dumps(sound(recipe={"a": 10**30})), "recipe.a is .a number of more than 64 bits"),
        (json.dumps(sound(setup={"rgb": 1})), "setup.rgb is 1; expected a table"),
        (json.dumps(sound(target="\ud800")), "target is '.ud800'"),
        (json.dumps(sound(inputs=None)), "inputs is missing; expected a list"),
        (json.dumps(sound(inputs=[{"role": "x"}])), r"inputs\[0\]\.role is 'x'; expected a master"),
        (json.dumps(sound(inputs=[entry(bytes="abc")])), r"inputs\[0\]\.bytes is 'abc'; expected the size"),
        (json.dumps(sound(inputs=[entry(path=None)])), r"inputs\[0\]\.path is missing; expected the path"),
        (json.dumps(sound(inputs=[entry(role="")])), r"inputs\[0\]\.role is ''"),
        (
            json.dumps(sound(inputs=[entry(), entry(role="rgb.light.red")])),
            r"inputs\[1\]\.role .* one file for",
        ),
        (json.dumps(sound(inputs=[entry(path="x" * 100_000)])), r"inputs\[0\]\.path is 'x+\.\.\.x+'"),
        (json.dumps(sound(inputs=[entry(sha256="0")])), r"inputs\[0\]\.sha256 is '0'; expected 64"),
        (json.dumps(sound(outputs=["a"])), r"outputs\[0\] is 'a'; expected a table"),
        (
            json.dumps(sound(outputs=[{"path": "../x"}])),
            r"outputs\[0\]\.path is '\.\./x'; expected a path in",
        ),
    ],
)
def test_what_is_no_record_is_refused(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "record.json").write_text(text)
    with pytest.raises(InputError, match=words) as fault:
        read_record(tmp_path / "record.json")
    assert fault.value.where == str(tmp_path / "record.json")


def test_a_record_that_is_not_there_or_not_text(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"cannot be read.*check the path"):
        read_record(tmp_path / "none.json")
    with pytest.raises(InputError):
        read_record(tmp_path)
    (tmp_path / "a.json").write_bytes(b"\xff\xfe\0")
    with pytest.raises(InputError, match="it is not JSON"):
        read_record(tmp_path / "a.json")


def test_versions_name_python_and_the_libraries() -> None:
    found = versions()
    assert found["numpy"] == np.__version__
    assert {"python", "astropy", "tifffile"} <= found.keys()
    assert all(isinstance(text, str) and text for text in found.values())
