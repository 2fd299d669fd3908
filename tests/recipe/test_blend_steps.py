"""The steps that blend and finish, on a small state of work: what changes, what does not, and what is told."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from types import MappingProxyType
from typing import Any

import numpy as np
import pytest

from blend.base.errors import FaultList, RecipeError
from blend.base.master import Facts, Master, flags_of
from blend.recipe.model import load_recipe, resolved
from blend.recipe.state import Line, Work
from blend.recipe.steps.blends import blend_display, blend_linear
from blend.recipe.steps.finish import finish
from blend.recipe.steps.stretch import shown_noise
from blend.recipe.target import target_from_options
from blend.recipe.toml import to_toml
from blend.science.line.balmer import hydrogen_share
from blend.science.picture import kept_noise

VERSION = "version = 1\n"
RED = '[blend.red]\ninto = "red"\nfrom = "ha.emission"\nformula = "emission-add"\n'
LIGHT = '[blend.light]\ninto = "luminance"\nfrom = "ha.emission"\nformula = "screen"\n'
SIGMA = 0.001


def make_work(text: str, *, line_nm: float | None = 656.28, **settings: Any) -> Work:
    """Return a state of work after the balance: a grey sky with a red patch of emission."""
    rng = np.random.default_rng(5)
    pixels = rng.normal(0.0, SIGMA, (3, 70, 80)).astype(np.float32)
    emission = np.zeros((70, 80), dtype=np.float32)
    emission[20:40, 30:50] = 0.05
    emission[0, 0] = np.nan
    noise = {plane: MappingProxyType({1: SIGMA}) for plane in ("red", "green", "blue")}
    rgb = Master(
        pixels=pixels, flags=flags_of(pixels), planes=("red", "green", "blue"), facts=Facts(noise=noise)
    )
    ha = Master(pixels=emission[None], flags=flags_of(emission[None]), planes=("ha",))
    line = Line(scaled=emission, emission=emission, sigma=SIGMA, scaled_sigma=SIGMA, broad="red")
    target = target_from_options(["rgb=a.fits", "ha=b.fits"])
    if line_nm is not None:
        files = target.masters["ha"].model_copy(update={"line_nm": line_nm})
        target = target.model_copy(update={"masters": {**target.masters, "ha": files}})
    recipe = load_recipe(
        VERSION + text, where="r.toml", settings={k.replace("__", "."): v for k, v in settings.items()}
    )
    return Work(recipe=recipe, target=target, masters={"rgb": rgb, "ha": ha}, lines={"ha": line})


def test_a_share_of_what_red_gains_goes_into_the_other_planes() -> None:
    plain = make_work(RED)
    work = blend_linear(make_work(RED + "amount = 0.8\ninto_other_planes = {blue = 0.15, green = 0.05}"))
    old, new = plain.rgb.pixels.astype(np.float64), work.linear
    assert new is not None
    gained = new[0] - old[0]
    emission = plain.lines["ha"].emission
    assert emission is not None
    assert gained[1:] == pytest.approx(0.8 * emission[1:], abs=1e-8)
    # float32 sums of light around 0.05.
    assert new[2, 1:] == pytest.approx(old[2, 1:] + 0.15 * gained[1:], abs=5e-9)
    assert new[1, 1:] == pytest.approx(old[1, 1:] + 0.05 * gained[1:], abs=5e-9)
    # A pixel that the line lacks is missing, and no other.
    assert np.isnan(new).any(axis=0).sum() == 1
    facts = work.recorded["blend"]["red"]
    assert facts["into_other_planes"] == {"blue": 0.15, "green": 0.05}
    assert facts["model"].startswith(
        "Model, not measured: of each count added to red, 0.15 into blue and 0.05"
    )
    assert json.loads(json.dumps(dict(work.recorded["blend"]))) == work.recorded["blend"]


def test_three_lines_go_where_the_users_table_says() -> None:
    text = (Path(__file__).parents[2] / "recipes" / "three-lines.toml").read_text(encoding="utf-8")
    # As shipped, and with two lines changed about by their "into" alone.
    swapped = text.replace('into = "red"', 'into = "-"').replace('into = "blue"', 'into = "red"')
    swapped = swapped.replace('into = "-"', 'into = "blue"')
    for table, order in ((text, ("sii", "ha", "oiii")), (swapped, ("oiii", "ha", "sii"))):
        one = make_work(RED)
        recipe = load_recipe(table, where="three-lines.toml")
        lines, light = {}, one.lines["ha"].emission
        assert light is not None
        for turn, name in enumerate(("sii", "ha", "oiii")):
            lines[name] = replace(one.lines["ha"], emission=np.roll(light, 10 * turn, axis=1))
        masters = {"rgb": one.rgb, **dict.fromkeys(lines, one.masters["ha"])}
        files = {"rgb": one.target.masters["rgb"], **dict.fromkeys(lines, one.target.masters["ha"])}
        target = one.target.model_copy(update={"masters": files})
        made = blend_linear(one.with_(recipe=recipe, target=target, masters=masters, lines=lines)).linear
        assert made is not None
        amounts = {"sii": 2.0, "ha": 1.0, "oiii": 1.5}
        for plane, name in enumerate(order):
            emission = lines[name].emission
            assert emission is not None
            # float32 sums of light around 0.1.
            wanted = one.rgb.pixels[plane] + np.float32(amounts[name]) * emission
            np.testing.assert_allclose(made[plane], wanted, atol=2e-8)


def test_the_sky_outside_the_emission_keeps_its_bits() -> None:
    work = blend_linear(make_work(RED + 'into_other_planes = "hydrogen"'))
    assert work.linear is not None
    outside = np.s_[:, 45:, :]
    assert np.array_equal(work.linear[outside], work.rgb.pixels[outside])


def test_amount_nought_changes_no_bit_share_or_not() -> None:
    work = blend_linear(make_work(RED + 'amount = 0\ninto_other_planes = "hydrogen"'))
    assert work.linear is work.rgb.pixels or np.array_equal(work.linear, work.rgb.pixels)  # type: ignore[arg-type]


def test_no_share_leaves_blue_and_green_alone() -> None:
    work = blend_linear(make_work(RED))
    assert work.linear is not None
    assert np.array_equal(work.linear[1:], work.rgb.pixels[1:])
    assert not {"into_other_planes", "model"} & set(work.recorded["blend"]["red"])


def test_hydrogens_share_is_a_labelled_model_with_its_dust() -> None:
    work = blend_linear(make_work(RED + 'into_other_planes = "hydrogen"\nextinction_a_v = 1.5'))
    facts = work.recorded["blend"]["red"]
    expected = {plane: hydrogen_share(plane, extinction_a_v=1.5) for plane in ("blue", "green")}  # type: ignore[arg-type]
    assert facts["into_other_planes"] == expected
    for word in ("Model, not measured", "A(V) = 1.5", "Osterbrock", "Cardelli"):
        assert word in facts["model"]
    assert work.warnings == ()


@pytest.mark.parametrize(("line_nm", "warned"), [(656.28, 0), (658.0, 0), (None, 0), (671.6, 1)])
def test_hydrogens_share_of_another_line_is_warned_of(line_nm: float | None, warned: int) -> None:
    work = blend_linear(make_work(RED + 'into_other_planes = "hydrogen"', line_nm=line_nm))
    assert [code for code, _ in work.warnings] == ["share-not-hydrogen"] * warned


@pytest.mark.parametrize(
    ("text", "told"),
    [
        (
            RED.replace('"red"', '"blue"', 1) + 'into_other_planes = "hydrogen"',
            "blend.red.into_other_planes: light for other planes beside",
        ),
        (
            LIGHT + "into_other_planes = {blue = 0.1}",
            "blend.light.into_other_planes: light for other planes beside",
        ),
        (
            RED.replace("emission-add", "screen") + "into_other_planes = {blue = 0.1}",
            "blend.red.into_other_planes: light for other planes beside",
        ),
        (
            RED + "into_other_planes = {blue = 1.5}",
            "blend.red.into_other_planes.blue: found 1.5; expected a number from 0 to 1.",
        ),
        (RED + 'into_other_planes = "hydrogn"', "Did you mean 'hydrogen'?"),
        (RED + "into_other_planes = {blu = 0.1}", "Did you mean 'blue'?"),
        (
            RED + "into_other_planes = {blue = 0.1}\nextinction_a_v = 1.0",
            "blend.red.extinction_a_v: found 1.0; expected 0, or into_other_planes",
        ),
        (
            RED + "extinction_a_v = 1.0",
            "blend.red.extinction_a_v: found 1.0; expected 0, or into_other_planes",
        ),
        (RED + 'into_other_planes = "hydrogen"\nextinction_a_v = -1', "blend.red.extinction_a_v"),
    ],
)
def test_faults_of_a_share(text: str, told: str) -> None:
    with pytest.raises(FaultList) as caught:
        load_recipe(VERSION + text, where="r.toml")
    assert told in str(caught.value)
    assert len(caught.value.faults) == 1


@pytest.mark.parametrize("share", ['"none"', '"hydrogen"', "{blue = 0.1}"])
def test_a_share_survives_the_way_back(share: str) -> None:
    recipe = load_recipe(VERSION + RED + f"into_other_planes = {share}", where="r.toml")
    assert load_recipe(to_toml(resolved(recipe)), where="again") == recipe


def test_a_share_beside_a_display_formula_of_ones_own_is_a_fault_of_the_recipe() -> None:
    own = '[formulas.own]\ndomain = "display"\nequation = "max(base, line)"\nneutral = "sky"\n'
    text = own + RED.replace("emission-add", "own") + "into_other_planes = {blue = 0.1}"
    with pytest.raises(
        RecipeError, match=r"blend\.red\.into_other_planes: light for other planes beside 'own'"
    ):
        blend_display(make_work(text).with_(display=np.full((3, 70, 80), 0.1, dtype=np.float32)))


def test_a_share_beside_a_linear_formula_of_ones_own_is_of_what_it_added() -> None:
    own = '[formulas.own]\ndomain = "linear"\nequation = "base + 2 * line"\nneutral = "0"\n'
    work = blend_linear(
        make_work(own + RED.replace("emission-add", "own") + "into_other_planes = {blue = 0.5}")
    )
    assert work.linear is not None
    gained = work.linear[0, 30, 40] - work.rgb.pixels[0, 30, 40]
    assert gained == pytest.approx(0.1, abs=1e-7)
    assert work.linear[2, 30, 40] - work.rgb.pixels[2, 30, 40] == pytest.approx(0.05, abs=1e-7)


def _picture() -> np.ndarray[Any, np.dtype[np.float32]]:
    rng = np.random.default_rng(6)
    picture = rng.normal(0.1, 0.01, (3, 70, 80)).astype(np.float32)
    picture[0, 20:40, 30:50] = 1.0
    return picture


def test_what_left_the_gamut_is_counted_in_the_blends_own_entry() -> None:
    work = blend_display(make_work(LIGHT, blend__light__amount=1.0).with_(display=_picture()))
    facts = work.recorded["blend"]["light"]
    # Fully red pixels made brighter cannot stay that red: 400 of 5599 pixels with data.
    assert facts["out_of_gamut"] == pytest.approx(400 / 5599, abs=0.003)
    assert "gamut" not in work.recorded
    json.dumps(dict(work.recorded["blend"]))
    none = blend_display(make_work(LIGHT, blend__light__amount=0).with_(display=_picture()))
    assert "out_of_gamut" not in none.recorded["blend"]["light"]


def test_nothing_is_finished_unless_the_recipe_asks() -> None:
    picture = _picture()
    work = finish(make_work("").with_(display=picture))
    assert work.display is picture
    assert work.recorded["finish"] == {
        **{"contrast": 0.0, "curve": (), "saturation": 1.0},
        **{"noise_sigma": 0.0, "chroma_reduction": 0.0, "green_limit": 0.0},
        **{"star_size": 1.0, "star_brightness": 1.0},
    }


def test_the_record_says_what_the_finish_did() -> None:
    text = "[finish]\nsaturation = 1.2\nchroma_reduction = 0.6\ngreen_limit = 0.7"
    work = finish(make_work(text).with_(display=_picture()))
    facts = work.recorded["finish"]
    assert (facts["saturation"], facts["chroma_reduction"], facts["green_limit"]) == (1.2, 0.6, 0.7)
    assert facts["chroma_noise"]["4"]["after"] < facts["chroma_noise"]["4"]["before"]
    assert facts["colour_change"]["median"] > 0
    json.dumps(dict(facts), allow_nan=False)


def test_luminance_noise_is_taken_out_and_its_residual_kept_on_request() -> None:
    picture = (0.1 + 0.02 * np.random.default_rng(8).standard_normal((3, 200, 240))).astype(np.float32)
    text = "[finish]\nnoise_sigma = 1.3\n"
    sharp = make_work(text).with_(display=picture)
    work = finish(sharp.with_(fwhm_px={"rgb": 1.8}))
    assert work.residual is None
    assert work.display is not None
    facts = work.recorded["finish"]["luma_noise"]
    assert facts["left"] == pytest.approx(kept_noise(1.3), abs=0.03)
    # The narrowest width counts; where none is known, stars may be as sharp as can be.
    lefts = [
        finish(sharp.with_(fwhm_px=widths)).recorded["finish"]["luma_noise"]["left"]
        for widths in ({"rgb": 3.0, "ha": 3.6}, {"rgb": float("nan")})
    ]
    assert lefts[0] < 0.5 * facts["left"] < 0.5 * lefts[1]
    assert set(facts) == {"1", "2", "4", "8", "16", "32", "64", "left"}
    json.dumps(dict(work.recorded["finish"]), allow_nan=False)
    wanted = make_work(text + '[output]\nformats = ["residual"]')
    shown = finish(wanted.with_(display=picture, fwhm_px={"rgb": 1.8}))
    assert np.array_equal(shown.display, work.display)
    assert shown.residual is not None
    lost = np.tensordot(np.array([0.2126, 0.7152, 0.0722]), picture - work.display, 1)
    # Where no plane is dark enough to be held at 0; there and back through light in float32.
    assert np.abs(lost - shown.residual)[picture.min(axis=0) > 0.05].max() < 1e-4


def test_the_stretch_counts_on_less_noise() -> None:
    work = make_work("[finish]\nnoise_sigma = 1.2")
    plain = shown_noise(make_work(""))
    assert plain is not None
    assert shown_noise(work.with_(fwhm_px={"rgb": 3.0})) == pytest.approx(0.363 * plain)
    # Sharper stars would lose by more than 1.1.
    assert shown_noise(work) == pytest.approx(0.458 * plain)


def test_chroma_reduction_spares_stars_by_their_protection() -> None:
    rng = np.random.default_rng(8)
    picture = (0.3 + 0.03 * rng.standard_normal((3, 70, 80))).astype(np.float32)
    mask = np.zeros((70, 80), dtype=np.float32)
    mask[20:44, 20:44] = 1.0
    middle = np.s_[:, 26:38, 26:38]  # no block beside it is without protection
    changed = {}
    for strength in (0.0, 0.5, 1.0):
        text = f"[finish]\nchroma_reduction = 0.6\n[protect]\nstars = {strength}"
        display = finish(make_work(text).with_(display=picture, star_mask=mask)).display
        assert display is not None
        changed[strength] = np.abs(display - picture)
    assert changed[1.0][middle].max() < 5e-6  # there and back in float32
    assert changed[0.5][middle].mean() == pytest.approx(0.5 * changed[0.0][middle].mean(), rel=0.02)
    assert np.array_equal(changed[1.0][:, 56:], changed[0.0][:, 56:])


def test_noise_that_cannot_be_measured_is_told_as_nothing() -> None:
    work = finish(make_work("[finish]\nchroma_reduction = 0.6").with_(display=_picture()[:, :40, :40]))
    # 40 px hold two 16-px blocks across; NaN is no JSON.
    assert work.recorded["finish"]["chroma_noise"]["16"] == {"before": None, "after": None}
    json.dumps(dict(work.recorded["finish"]), allow_nan=False)


def test_the_words_of_finish_name_what_is_on_alone() -> None:
    words = load_recipe("version = 1\n[finish]\ngreen_limit = 0.5", where="r.toml").finish.words
    assert len(words) == 1
    assert "0.5 of the green" in words[0]
    assert load_recipe("version = 1", where="r.toml").finish.words == ()


@pytest.mark.parametrize("into", ["luminance", "red"])
def test_a_band_without_light_is_passed_over_and_no_bit_differs(into: str) -> None:
    rng = np.random.default_rng(8)
    shape = (40, 700)
    light = np.zeros(shape, dtype=np.float32)
    light[3:9, 100:230], light[30, 699], light[20, 0] = 0.2, 0.3, np.nan
    planes = rng.uniform(0.0, 1.0, (3, *shape)).astype(np.float32)
    planes[:, 35, 400:420], planes[0, 12, 500] = np.nan, 1.5
    mask = np.zeros(shape, dtype=np.float32)
    mask[4:7, 150:160] = 1.0

    def blended(light: Any) -> Work:
        work = make_work(LIGHT.replace("luminance", into) + "amount = 0.5\n[protect]\nstars = 1.0")
        lines = {"ha": replace(work.lines["ha"], emission=light)}
        rgb = work.rgb.with_(pixels=planes.copy(), flags=flags_of(planes))
        work = work.with_(masters={**work.masters, "rgb": rgb}, lines=lines, star_mask=mask)
        return blend_display(work.with_(display=planes.copy()))

    # Light too faint to be seen makes every tile one that shines.
    thin, whole = blended(light), blended(np.where(light == 0, np.float32(1e-30), light))
    assert thin.display is not None and whole.display is not None
    # 1 - (1 - x) of float32, in one plane.
    np.testing.assert_allclose(thin.display, whole.display, rtol=0.0, atol=6e-8 * (into == "red"))
    assert thin.blended[0].out_of_gamut == whole.blended[0].out_of_gamut
