"""What speaks against masters is told with its evidence, or stops the run: on small states of work."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType
from typing import Any

import numpy as np
import pytest

from blend.app.run.terminal import details
from blend.base.errors import InputError, StepError
from blend.base.master import Facts, Flag, Master, flags_of
from blend.pages.verdict import verdict
from blend.recipe.auto_words import amount_words
from blend.recipe.model import load_recipe
from blend.recipe.state import COLOUR, Line, Source, Work
from blend.recipe.steps.blends import blend_linear
from blend.recipe.steps.doubts import doubt_line, doubt_white, fill_hot_columns, refuse_odd_units
from blend.recipe.target import target_from_options
from blend.science.line.amount import noise_blocks
from blend.science.picture.balance import Gains

SHAPE = (240, 320)
SIGMA = 0.001
RED = '[blend.red]\ninto = "red"\nfrom = "ha.emission"\nformula = "emission-add"\n'


def noise(planes: int, seed: int, level: float = 0.0) -> np.ndarray:
    return np.random.default_rng(seed).normal(level, SIGMA, (planes, *SHAPE)).astype(np.float32)


def master(pixels: np.ndarray, planes: tuple[str, ...], **facts: Any) -> Master:
    told = MappingProxyType({plane: MappingProxyType({1: SIGMA}) for plane in planes})
    return Master(
        pixels=pixels, flags=flags_of(pixels), planes=planes, facts=Facts(**{"noise": told, **facts})
    )


def work_of(*, light: float, copied: bool = False, fade: float = 3.0, sky: tuple[float, ...] = ()) -> Work:
    """Return work whose emission is ``light`` in one square, or whose line master is the red plane."""
    colour, line = noise(3, 1), noise(1, 2)
    line[0] = colour[0] if copied else line[0]
    emission = noise(1, 3)[0]
    emission[100:140, 100:140] += light
    kept = np.zeros(SHAPE, dtype=np.float32)
    if light:
        kept[100:140, 100:140] = np.maximum(emission[100:140, 100:140], 0)
    recipe = load_recipe(f"version = 1\n{RED}[continuum.ha]\nweight_sigma = {fade}\n", where="r.toml")
    work = Work(recipe=recipe, target=target_from_options(["rgb=a.fits", "ha=b.fits"]))
    levels = MappingProxyType(dict(zip(COLOUR, sky, strict=bool(sky))))
    own = Line(
        scaled=line[0],
        emission=kept,
        sigma=SIGMA,
        scaled_sigma=SIGMA,
        broad="red",
        unfaded=noise_blocks(emission),
        strongest=None if fade <= 0 else 4.0 if light == 0 else 12.0,
        share=0.01,
    )
    return work.with_(
        masters={"rgb": master(colour, COLOUR, sky=levels), "ha": master(line, ("ha",))},
        lines={"ha": own},
        star_mask=np.zeros(SHAPE, dtype=np.float32),
        fwhm_px={"rgb": 3.0, "ha": 3.0},
        recorded={
            "continuum": {"ha": {"scale": 0.2, "error": 0.002, "stars": 9, "how": "stars", "light": "x"}}
        },
    )


def shown(work: Work) -> tuple[str, list[str]]:
    """Return the table of a run's end, and the names of the verdict's lines."""
    record: dict[str, Any] = {
        "register": {},
        "gradient": {},
        "balance": {"gains": {}},
        "stretch": {},
        "seconds": {},
        "outputs": [],
        "peak_mib": 1,
        "star_tint": {"stars": 0},
        "clipped": {"black": 0.0, "white": 0.0},
        "taken": {},
        "worth": {},
        **work.recorded,
    }
    return details(record), [line.what for line in verdict(record)]


def test_light_is_told_and_its_contrast_promised() -> None:
    work = doubt_line(work_of(light=0.005), "ha")
    table, lines = shown(blend_linear(work))
    assert work.warnings == () and work.lines["ha"].found
    assert work.recorded["continuum"]["ha"]["line_light"]["found"]
    assert "line contrast x 2" in table and "no line light" not in table and "Line light" not in lines


def test_no_light_is_told_everywhere_and_no_contrast_promised() -> None:
    work = doubt_line(work_of(light=0.0), "ha")
    assert [code for code, _ in work.warnings] == ["no-line-light"]
    assert not work.recorded["continuum"]["ha"]["line_light"]["found"]
    table, lines = shown(blend_linear(work))
    assert "from 9 stars; no line light found" in table
    assert "amount 1, but no line light was found" in table and "contrast" not in table
    assert "Line light" in lines


def test_a_plane_under_another_name_brings_no_light_whatever_is_left_of_it() -> None:
    work = doubt_line(work_of(light=0.005, copied=True), "ha")
    ((code, text),) = work.warnings
    assert code == "line-is-colour"
    assert text.startswith(
        "ha: its noise is that of the colour master's red plane (correlation 1.000; two exposures share none)"
    )
    assert not work.lines["ha"].found
    assert "line_contrast" not in blend_linear(work).recorded["blend"]["red"]


def test_where_nothing_is_faded_nothing_is_judged() -> None:
    work = doubt_line(work_of(light=0.0, fade=0.0), "ha")
    assert work.lines["ha"].found and work.recorded["continuum"]["ha"]["line_light"]["sigma"] is None
    assert amount_words(blend_linear(work).recorded["blend"]["red"]) == "amount 1, line contrast x 2"


def gains(red: float, error: float = 0.02, how: str = "stars") -> Gains:
    return Gains(np.array([red, 1.0, 1.5]), np.array([error, 0.0, 0.03]), 5, how)


SKY = (0.105, 0.150, 0.180)


def test_usual_gains_and_given_ones_are_never_doubted() -> None:
    work = work_of(light=0.0, sky=SKY)
    for red in (0.5, 1.25, 3.0):
        assert doubt_white(work, gains(red)).warnings == ()
    assert doubt_white(work, gains(0.1, how="given")).warnings == ()


def test_a_ninth_that_the_sky_contradicts_stops_the_run() -> None:
    with pytest.raises(StepError) as caught:
        doubt_white(work_of(light=0.0, sky=SKY), gains(1.25 / 9))
    assert caught.value.exit_code == 4
    assert "red x 0.139 +- 0.02 over green from 5 stars; cameras ask for 0.33 to 5" in str(caught.value)
    assert "the colour of the sky that was taken out gives about 1.4, 4.8 sigma away" in str(caught.value)
    assert "balance.white = [1.3, 1.0, 1.5]" in str(caught.value)


def test_what_is_not_contradicted_is_told() -> None:
    for work, told in (
        (doubt_white(work_of(light=0.0, sky=(0.9, 0.150, 0.180)), gains(1.25 / 9)), "colour of the sky"),
        (doubt_white(work_of(light=0.0, sky=SKY), gains(1.25 / 9, 0.14)), "colour of the sky"),
        (doubt_white(work_of(light=0.0), gains(0.3)), "noise of the planes"),
    ):
        ((code, text),) = work.warnings
        assert code == "white-out-of-bounds" and "from 5 stars" in text
        assert told in text.lower() and "does not contradict it" in text


def test_a_gain_of_large_error_is_told() -> None:
    ((code, text),) = doubt_white(work_of(light=0.0, sky=SKY), gains(1.25, 0.5)).warnings
    assert code == "white-uncertain"
    assert text.startswith("white: red x 1.25 +- 0.5 over green from 5 stars; ")
    assert not doubt_white(work_of(light=0.0, sky=SKY), gains(1.25, 0.1)).warnings


def test_units_are_refused_with_what_mends_them() -> None:
    pixels = noise(3, 4, 0.1)
    refuse_odd_units("rgb", Source(lights=(master(pixels, COLOUR),)))
    parts = [pixels[i][None] * factor for i, factor in enumerate((1, 0.01, 30))]
    lights = tuple(
        replace_noise(master(part.astype(np.float32), (plane,)), factor)
        for plane, part, factor in zip(COLOUR, parts, (1, 0.01, 30), strict=True)
    )
    with pytest.raises(InputError) as caught:
        refuse_odd_units("rgb", Source(lights=lights))
    assert caught.value.exit_code == 3
    assert "sky 0.1, 0.001, 3, noise of a pixel 0.001, 1e-05, 0.03 of full scale" in str(caught.value)
    assert "multiply red, green and blue by about 1, 100, 0.0333" in str(caught.value)


def replace_noise(light: Master, factor: float) -> Master:
    told = {plane: MappingProxyType({1: factor * SIGMA}) for plane in light.planes}
    return light.with_(facts=replace(light.facts, noise=MappingProxyType(told)))


def test_hot_columns_are_filled_flagged_and_named() -> None:
    pixels = noise(1, 5, 0.1)
    sound = master(pixels, ("ha",))
    assert fill_hot_columns(sound) == (sound, ())
    hot = pixels.copy()
    hot[0, :, [100, 200]] += 0.01
    light, ((code, text),) = fill_hot_columns(master(hot, ("ha",)))
    assert code == "hot-columns" and "2 in ha (100, 200), by 10." in text
    assert np.flatnonzero(light.has(Flag.REPAIRED).all(axis=0)).tolist() == [100, 200]
    assert np.abs(light.pixels[0, :, [100, 200]] - 0.1).max() < 6 * SIGMA
    others = np.delete(light.pixels, [100, 200], axis=2)
    np.testing.assert_array_equal(others, np.delete(pixels, [100, 200], axis=2))
