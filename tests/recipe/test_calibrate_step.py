"""The calibrate step: frames find their planes, faults name the file's place, facts and flags are kept."""

import numpy as np
import pytest

from blend.base.errors import InputError
from blend.base.master import Facts, Flag, Master, flags_of
from blend.recipe.model import load_recipe
from blend.recipe.state import Source, Work
from blend.recipe.steps.calibrate import calibrate
from blend.recipe.target import load_target
from blend.science.plane.measures import measure

COLOUR = ("red", "green", "blue")
TARGET = (
    '[masters.rgb]\nlight = "rgb.fits"\n[masters.ha]\nlight = "ha.fits"\nline_nm = 656.28\nwidth_nm = 7\n'
)


def master(planes, level, seed=1, shape=(80, 90)):
    rng = np.random.default_rng(seed)
    pixels = rng.normal(level, 0.001, (len(planes), *shape)).astype(np.float32)
    return Master(pixels=pixels, flags=flags_of(pixels), planes=planes, facts=Facts(full_scale=1.0))


def work_of(tmp_path, **sources):
    target = load_target('name = "t"\n' + TARGET, where="t.toml", folder=tmp_path)
    recipe = load_recipe("version = 1\n[calibrate]\n", where="r.toml")
    return Work(recipe=recipe, target=target, sources=sources)


def test_a_flat_of_one_plane_for_a_light_of_three_is_a_fault_of_the_input(tmp_path):
    source = Source(lights=(master(COLOUR, 0.1),), flat=master(("grey",), 0.5, seed=2))
    with pytest.raises(InputError) as caught:
        calibrate(work_of(tmp_path, rgb=source))
    assert caught.value.exit_code == 3
    assert str(caught.value) == (
        "masters.rgb.flat: one plane; expected three planes, as the light has."
        " Do this: stack the calibration frames as the lights were stacked."
    )


def test_flags_and_noise_of_a_calibrated_light(tmp_path):
    light = master(("ha",), 0.1)
    pixels = light.pixels.copy()
    pixels[0, 20, 30] = 0.9
    pixels[0, 50, 60] = np.nan
    pixels[0, 10:14, 10:14] = 1.0
    light = Master(pixels=pixels, flags=flags_of(pixels), planes=("ha",), facts=Facts(saturation={"ha": 1.0}))
    done = calibrate(work_of(tmp_path, ha=Source(lights=(light,)))).sources["ha"].lights[0]
    assert np.argwhere(done.has(Flag.REPAIRED)).tolist() == [[20, 30]]
    assert np.argwhere(done.has(Flag.NO_DATA)).tolist() == [[50, 60]]
    assert done.has(Flag.SATURATED).sum() == 16
    assert np.isnan(done.pixels[0, 50, 60])
    told = measure(done.pixels, ("ha",), invalid=done.has(Flag.NO_DATA))["ha"]["noise"]
    assert done.facts.noise["ha"] == pytest.approx(told, nan_ok=True)


def test_each_light_of_one_plane_takes_its_own_plane_of_a_colour_flat(tmp_path):
    flat = master(COLOUR, 0.5, seed=3)
    flat = flat.with_(pixels=flat.pixels * np.array([0.5, 1.0, 1.5], dtype=np.float32)[:, None, None])
    lights = tuple(master((name,), 0.1, seed=4 + i) for i, name in enumerate(COLOUR))
    done = calibrate(work_of(tmp_path, rgb=Source(lights=lights, flat=flat))).sources["rgb"].lights
    for index, (before, after) in enumerate(zip(lights, done, strict=True)):
        response = flat.pixels[index] / np.median(flat.pixels[index])
        expected = before.pixels[0] / response
        # a few float32 roundings; single pixels may have been taken for faults
        close = np.isclose(after.pixels[0], expected, rtol=1e-5)
        assert close.mean() > 0.999


def test_a_frame_that_went_into_the_stacking_is_told_of_when_it_is_taken_out_again(tmp_path):
    light = master(("ha",), 0.1).with_facts(taken_out=("bias", "flat"))
    flat, bias = master(("ha",), 0.5, seed=3), master(("ha",), 0.01, seed=4)
    warnings = calibrate(work_of(tmp_path, ha=Source(lights=(light,), flat=flat, bias=bias))).warnings
    (text,) = [text for code, text in warnings if code == "calibrated-twice"]
    assert text.startswith("ha: stacked with flat, as its header says, which masters.ha.flat takes out again")
    done = calibrate(work_of(tmp_path, ha=Source(lights=(light,))))
    assert not [code for code, _ in done.warnings if code == "calibrated-twice"]
