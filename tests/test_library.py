"""What `import blend` offers: every function takes arrays of any kind, or refuses them with one message."""

from __future__ import annotations

import filecmp
import runpy
import sys
from collections.abc import Callable, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy import units
from astropy.nddata import CCDData, StdDevUncertainty

import blend
from blend.app.demo.demo import write_night
from blend.base.arrays import EXPECTED
from blend.science.simulated import SceneOptions, simulate_night

PROJECT = Path(__file__).parent.parent
Arrays = Mapping[str, Any]

# Linear light of an invented sky with stars of one shape, in whole steps of 1 / 32767: integers hold it too.
STEPS = 32767


def scene() -> dict[str, np.ndarray]:
    """Return aligned masters with sky 0.1: 60 stars that are brighter in green, and a knot of the line."""
    rng = np.random.default_rng(5)
    y, x = np.mgrid[:160, :200].astype(float)
    light = np.zeros((160, 200))
    for _ in range(60):
        at = rng.uniform(8, [192, 152])
        light += rng.uniform(0.05, 0.5) * np.exp(-((x - at[0]) ** 2 + (y - at[1]) ** 2) / 4.5)
    knot = 0.02 * np.exp(-((x - 60) ** 2 + (y - 50) ** 2) / 50)
    planes = [0.1 + light * gain + rng.normal(0, 1e-3, light.shape) for gain in (0.8, 1.0, 0.9, 0.2)]
    planes[0] += 0.1 * knot
    planes[3] += knot
    cube = np.round(np.clip(planes, 0, 1) * STEPS) / STEPS
    return {"rgb": cube[:3].astype(np.float32), "ha": cube[3].astype(np.float32)}


SCENE = scene()
MASK = np.zeros((160, 200), dtype=bool)
MASK[70:73, 30:34] = True


def steps(array: np.ndarray) -> np.ndarray:
    """Return the whole numbers behind the scene."""
    return np.round(array * STEPS).astype(">i2")


def fraction(array: np.ndarray) -> np.ndarray:
    """Return what those whole numbers are as fractions of full scale."""
    return steps(array).astype(np.float32) / np.float32(STEPS)


def masked(array: np.ndarray) -> np.ndarray:
    """Return the array with NaN where the mask is."""
    return np.where(MASK, np.float32(np.nan), array)


def locked(array: np.ndarray) -> np.ndarray:
    """Return a read-only copy."""
    copy = array.copy()
    copy.flags.writeable = False
    return copy


def doubled(array: np.ndarray) -> np.ndarray:
    """Return the same numbers as float64."""
    return array.astype(np.float64)


def same(array: np.ndarray) -> np.ndarray:
    """Return the array itself."""
    return array


# Kind of array: how it is made of a plain one, and the plain one whose result it must have.
TAKEN: dict[str, tuple[Callable[[np.ndarray], Any], Callable[[np.ndarray], np.ndarray]]] = {
    "big-endian": (lambda a: a.astype(">f4"), same),
    "big-endian doubles": (lambda a: a.astype(">f8"), doubled),
    "non-contiguous": (lambda a: np.repeat(a, 2, axis=-1)[..., ::2], same),
    "read-only": (locked, same),
    "masked": (lambda a: np.ma.masked_array(a, np.broadcast_to(MASK, a.shape)), masked),
    "Quantity without a unit": (lambda a: a * units.one, same),
    "CCDData without a unit": (lambda a: CCDData(a, unit="", mask=np.broadcast_to(MASK, a.shape)), masked),
}
# Counts: a step takes them as such, a formula as the numbers they are.
COUNTS = {
    "integers": (steps, fraction),
    "CCDData in adu": (lambda a: CCDData(a, unit="adu"), same),
    "Quantity in electrons": (lambda a: a * units.electron, same),
}
REFUSED: dict[str, Callable[[np.ndarray], Any]] = {
    "Quantity in Jy": lambda a: a * units.Jy,
    "CCDData in Jy": lambda a: CCDData(a, unit="Jy"),
    "complex": lambda a: a + 1j,
    "texts": lambda a: a.astype(str),
    "objects": lambda a: np.full(a.shape, None),
    "a mask": lambda a: a > 0.5,
}

LINE = {"scale": 0.2}
ADD = {"red": {"into": "red", "from": "ha.emission", "formula": "emission-add"}}


def balanced(given: Arrays) -> blend.Work:
    """Return the state before the blends."""
    return blend.white(blend.emission(given, ha=LINE), white="none")


FUNCTIONS: dict[str, Callable[[Arrays], Any]] = {
    "prepare": lambda g: [s.lights[0].pixels for s in blend.prepare(g).sources.values()],
    "calibrate": lambda g: [s.lights[0].pixels for s in blend.calibrate(g, hot_sigma=0).sources.values()],
    "calibrate with a dark": lambda g: [
        blend.calibrate({"ha": SCENE["ha"]}, frames={"ha": {"flat": g["ha"]}}).sources["ha"].lights[0].pixels
    ],
    "align": lambda g: [m.pixels for m in blend.align(g, transform="none").masters.values()],
    "subtract_sky": lambda g: [m.pixels for m in blend.subtract_sky(g, degree=0).masters.values()],
    "fit_sky": lambda g: [f.level for name in blend.fit_sky(g, degree=0).values() for f in name.values()],
    "emission": lambda g: [blend.emission(g, ha=LINE).lines["ha"].emission],
    "scale_continuum": lambda g: [blend.scale_continuum(g, ha=LINE)["ha"].value],
    "white": lambda g: [blend.white(g, white=(2, 1, 1.5)).rgb.pixels],
    "blend_lines": lambda g: [blend.blend_lines(balanced(g), ADD).linear],
    "stretch": lambda g: [blend.stretch({"rgb": g["rgb"]}).display],
    "finish": lambda g: [blend.finish({"rgb": g["rgb"]}, saturation=1.1).display],
    "Master.from_array": lambda g: [in_fractions(blend.Master.from_array(g["rgb"]))],
    "Master.from_ccddata": lambda g: [in_fractions(blend.Master.from_ccddata(g["ha"]))],
}
"""Every exported function that takes arrays as masters, and what of its answer is compared."""

PLAIN: dict[str, Callable[[Arrays], Any]] = {
    "apply_formula": lambda g: [blend.apply_formula("screen", g["rgb"][0], g["ha"], amount=0.5)],
    "apply_formula, amount 0": lambda g: [blend.apply_formula("screen", g["ha"], g["ha"], amount=0)],
    "apply_formula, amount a plane": lambda g: [
        blend.apply_formula("mean", SCENE["ha"], SCENE["rgb"][0], amount=g["ha"])
    ],
    "apply_formula, sigmas": lambda g: [
        blend.apply_formula(
            "maximum-above-noise",
            SCENE["ha"],
            SCENE["rgb"][0],
            amount=1,
            base_sigma=g["ha"],
            line_sigma=g["ha"],
        )
    ],
    "Master": lambda g: [
        blend.Master(pixels=g["rgb"], flags=np.zeros((160, 200)), planes=("r", "g", "b")).pixels
    ],
}
"""Those that take the numbers as they are."""

NO_ARRAYS = {
    *(
        "CURVES",
        "FORMULAS",
        "ArrayError",
        "BatchOptions",
        "BlendError",
        "Facts",
        "Flag",
        "Outcome",
        "Source",
        "Work",
    ),
    *(
        "define_formula",
        "facts_from_cards",
        "limit_threads",
        "load_recipe",
        "load_sources",
        "load_target",
        "read",
    ),
    *("run", "run_batch", "run_steps", "try_variants", "write"),
}


def in_fractions(master: blend.Master) -> np.ndarray:
    """Return pixels divided by the full scale of counts."""
    full = master.facts.full_scale if master.facts.unit else None
    return master.pixels / np.float32(full or 1)


def test_the_table_holds_every_function() -> None:
    tested = {name.split(",")[0].split(" ")[0].split(".")[0] for name in (*FUNCTIONS, *PLAIN)}
    assert tested | NO_ARRAYS == set(blend.__all__)


def answer(function: Callable[[Arrays], Any], kind: Callable[[np.ndarray], Any]) -> list[np.ndarray]:
    """Return what a function gives of the scene in arrays of one kind, and check that these stay as they are."""
    given = {name: kind(array) for name, array in SCENE.items()}
    before = {name: np.asarray(getattr(array, "data", array)).copy() for name, array in given.items()}
    result = function(given)
    for name, array in given.items():
        assert np.asarray(getattr(array, "data", array)).tobytes() == before[name].tobytes(), (
            "an input was changed"
        )
        for part in () if function is PLAIN["Master"] else result:  # a Master by itself copies nothing
            assert not np.may_share_memory(part, np.asarray(getattr(array, "data", array))), (
                "the input came back"
            )
    return [np.asarray(part) for part in result]


@lru_cache
def plain_answer(name: str, plain: Callable[[np.ndarray], np.ndarray]) -> list[np.ndarray]:
    """Return what a function gives of plain arrays, worked out once."""
    return answer(FUNCTIONS[name], plain)


@pytest.mark.parametrize("kind", [*TAKEN, *COUNTS])
@pytest.mark.parametrize("name", FUNCTIONS)
def test_a_step_takes_arrays_of_every_kind(name: str, kind: str, capfd: pytest.CaptureFixture[str]) -> None:
    make, plain = (TAKEN | COUNTS)[kind]
    if name == "finish" and kind in COUNTS:
        make, plain = TAKEN["big-endian"]
    got, wanted = answer(FUNCTIONS[name], make), plain_answer(name, plain)
    for mine, other in zip(got, wanted, strict=True):
        np.testing.assert_array_equal(mine, other)
    assert capfd.readouterr() == ("", "")


@pytest.mark.parametrize("kind", TAKEN)
@pytest.mark.parametrize("name", PLAIN)
def test_a_formula_takes_arrays_of_every_kind(name: str, kind: str) -> None:
    make, plain = TAKEN[kind]
    if name == "apply_formula" and "CCDData" in kind:
        make = TAKEN["masked"][0]  # CCDData of three planes has no planes to take
    for mine, other in zip(answer(PLAIN[name], make), answer(PLAIN[name], plain), strict=True):
        np.testing.assert_array_equal(mine, other)


@pytest.mark.parametrize("kind", REFUSED)
@pytest.mark.parametrize("name", [*FUNCTIONS, *PLAIN])
def test_other_arrays_are_refused_with_one_message(name: str, kind: str) -> None:
    with pytest.raises(blend.ArrayError) as fault:
        answer((FUNCTIONS | PLAIN)[name], REFUSED[kind])
    assert f"; expected {EXPECTED}. Do this: " in str(fault.value)


@pytest.mark.parametrize("unit", ["adu", "electron"])
@pytest.mark.parametrize("name", PLAIN)
def test_a_formula_refuses_a_unit_or_an_uncertainty_that_would_be_lost(name: str, unit: str) -> None:
    with pytest.raises(blend.ArrayError, match=rf"an array in {unit}; expected {EXPECTED}"):
        PLAIN[name]({key: array * units.Unit(unit) for key, array in SCENE.items()})
    with pytest.raises(blend.ArrayError, match="an uncertainty, which would be lost"):
        blend.apply_formula(
            "screen",
            CCDData(SCENE["ha"], unit="", uncertainty=StdDevUncertainty(SCENE["ha"])),
            SCENE["ha"],
            amount=1,
        )


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the target file of an invented night."""
    return write_night(
        simulate_night(SceneOptions(rows=320, columns=480, seed=2)),
        tmp_path_factory.mktemp("night") / "masters",
    )


@pytest.fixture(scope="module")
def finished(night: Path) -> Path:
    """Return the folder of the command's run."""
    blend.run("galaxy-moonlit", night, out=night.parent.parent / "run", stages=True)
    return night.parent.parent / "run"


def test_the_picture_made_by_hand_is_the_commands_to_the_bit(
    night: Path,
    finished: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    script = PROJECT / "examples" / "blend_in_python.py"
    monkeypatch.setattr(sys, "argv", [str(script), str(night.parent), str(tmp_path)])
    runpy.run_path(str(script), run_name="__main__")
    for name in ("result.fits", "result.tif", "preview.png"):
        assert filecmp.cmp(tmp_path / name, finished / name, shallow=False), name
    said = capsys.readouterr()
    assert said.err == "" and "continuum scale 0.19" in said.out
    assert blend.read(tmp_path / "gentle.fits").facts.exposure_s is not None


def test_a_recipe_gives_the_steps_their_settings(night: Path, finished: Path, tmp_path: Path) -> None:
    target = blend.load_target(night)
    recipe = blend.load_recipe("galaxy-moonlit", target=target)
    state = blend.prepare(blend.load_sources(target).sources, recipe=recipe, target=target)
    for step in (blend.calibrate, blend.align, blend.subtract_sky, blend.emission, blend.white):
        state = step(state)
    stage = blend.read(finished / "stages" / "rgb-balanced.fits")
    np.testing.assert_array_equal(state.rgb.pixels, stage.pixels)
    for step in (blend.blend_lines, blend.stretch, blend.blend_lines, blend.finish):
        state = step(state)
    blend.write(tmp_path / "result.fits", state)
    assert filecmp.cmp(tmp_path / "result.fits", finished / "result.fits", shallow=False)
    with pytest.raises(blend.BlendError, match="in the way"):
        blend.write(tmp_path / "result.fits", state)


def test_a_masters_facts_come_back_from_its_file(tmp_path: Path) -> None:
    facts = blend.Facts(
        exposure_s=300.0, frames=12, temperature_c=-10.0, iso=800.0, gain_e=0.25, full_scale=65535.0, unit="adu",
        date_obs="2026-03-22T23:10:00", filter="Ha 7 nm", site=(48.0, 11.0, 520.0), rows="bottom-up",
        noise={"ha": {1: 10.0, 4: 3.0}}, saturation={"ha": 60000.0},
    )  # fmt: skip
    blend.write(
        tmp_path / "ha.fits", blend.Master.from_array(SCENE["ha"] * 65535, planes=("ha",), facts=facts)
    )
    back = blend.read(tmp_path / "ha.fits").facts
    for name in ("exposure_s", "frames", "temperature_c", "iso", "gain_e", "full_scale", "unit", "date_obs", "filter",
                 "site", "rows"):  # fmt: skip
        assert getattr(back, name) == getattr(facts, name), name
    assert back.noise[""][4] == 3.0 and back.saturation[""] == 60000.0


def test_a_width_taken_for_granted_is_told_as_by_a_run() -> None:
    codes = [code for code, _ in blend.blend_lines(balanced(SCENE), ADD).warnings]
    assert {"width-assumed", "red-width-assumed"} <= set(codes)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: blend.apply_formula("scren", SCENE["ha"], SCENE["ha"], amount=1), "Did you mean 'screen'"),
        (lambda: blend.subtract_sky(SCENE["ha"], degre=1), "gradient.degre"),
        (lambda: blend.finish(blend.white({"rgb": SCENE["rgb"]}, white="none")), "call blend.stretch before"),
        (
            lambda: blend.blend_lines({"rgb": SCENE["rgb"], "ha": SCENE["ha"]}, ADD),
            "call blend.emission before",
        ),
        (lambda: blend.subtract_sky(blend.prepare({"rgb": SCENE["rgb"]})), "call blend.align before"),
        (
            lambda: blend.align(blend.subtract_sky({"rgb": SCENE["rgb"]}, model="none")),
            "begin with blend.prepare",
        ),
        (lambda: blend.prepare({"rgb": SCENE["rgb"] * 65535}), "Facts\\(unit='adu', full_scale=...\\)"),
        (lambda: blend.white({"rgb": SCENE["ha"]}), "rgb"),
        (lambda: blend.prepare({"ha": SCENE["rgb"][:2]}), "name 2 planes"),
        (lambda: blend.emission({"rgb": SCENE["rgb"], "ha": SCENE["ha"][1:]}, ha=LINE), "160"),
        (lambda: blend.write("picture.gif", blend.prepare({"rgb": SCENE["rgb"]})), "the ending '.gif'"),
        (
            lambda: blend.write("picture.png", blend.prepare({"rgb": SCENE["rgb"]})),
            "call blend.stretch before",
        ),
        (lambda: blend.run("galaxy-moonlit", "nowhere.toml"), "nowhere.toml"),
        (lambda: blend.emission({"rgb": SCENE["rgb"], "ha": SCENE["ha"]}, oiii={}), "oiii"),
        (lambda: blend.stretch(SCENE["ha"]), "no master called rgb"),
        (lambda: blend.finish({"ha": SCENE["ha"]}), "no master called rgb"),
        (lambda: blend.emission({"ha": SCENE["ha"]}), "no master called rgb"),
        (lambda: blend.align({"ha": SCENE["ha"]}), "no master called rgb"),
        (lambda: blend.prepare(SCENE, frames={"hb": {}}), "frames: there is no 'hb' here"),
        (lambda: blend.prepare(SCENE, frames={"ha": {"drak": SCENE["ha"]}}), "Did you mean 'dark'"),
        (lambda: blend.prepare(SCENE, target={"Ha": {"width_nm": 7}}), "target: there is no 'Ha' here"),
        (lambda: blend.prepare(SCENE, target={"ha": {"width": 7}}), "masters.ha.width"),
        (lambda: blend.prepare(SCENE, catalogue=[[1, 2j]]), "catalogue"),
        (lambda: blend.calibrate(blend.prepare(SCENE), frames={"ha": {}}), "frames: given late"),
        (
            lambda: blend.white(blend.white({"rgb": SCENE["rgb"]}, white=(2, 1, 1)), white="none"),
            "every step once",
        ),
        (lambda: blend.subtract_sky(blend.subtract_sky(SCENE["ha"], degree=0)), "every step once"),
        (
            lambda: blend.blend_lines(blend.blend_lines(balanced(SCENE), ADD)),
            "go on from what blend.white returned",
        ),
    ],
)
def test_a_wrong_call_says_what_to_do(call: Callable[[], Any], words: str) -> None:
    with pytest.raises(blend.BlendError, match=words):
        call()


def test_trials_and_batches_run_without_a_word(
    night: Path, tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    trial = blend.try_variants(
        "galaxy-moonlit", night, vary={"blend.red.amount": [0, 1]}, out=tmp_path / "trial", scale=4
    )
    assert [tile["values"] for tile in trial["tiles"]] == [{"blend.red.amount": 0}, {"blend.red.amount": 1}]
    (verdict,) = blend.run_batch("galaxy-moonlit", [night], out=tmp_path / "batch")
    assert (verdict.state, verdict.reason) == ("done", "")
    assert capfd.readouterr() == ("", "")


def test_tables_say_what_they_hold() -> None:
    assert repr(blend.FORMULAS).startswith("<6 entries of the formula table: emission-add, screen")
    assert blend.__version__.count(".") == 2 and "__version__" in dir(blend)
