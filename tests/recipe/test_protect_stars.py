"""Stars keep their colour: on a small state of work, by laws and planted light."""

from __future__ import annotations

from dataclasses import replace
from types import MappingProxyType
from typing import Any

import numpy as np
import pytest

from blend.base.master import Facts, Flag, Master, flags_of
from blend.recipe.model import load_recipe
from blend.recipe.state import Line, Work
from blend.recipe.steps.blends import blend_display, blend_linear
from blend.recipe.steps.protect_stars import fill_picture, guard_lines, limit_gain, with_star_mask
from blend.recipe.steps.stretch import stretch
from blend.recipe.target import target_from_options
from blend.science.picture.fill_stars import fill_behind
from blend.science.stars.stars import Stars

VERSION = "version = 1\n"
RED = '[blend.red]\ninto = "red"\nfrom = "ha.emission"\nformula = "emission-add"\n'
SIGMA, SHAPE = 0.001, (90, 120)
STAR, KNOT = (40.0, 45.0), (85.0, 45.0)


def bump(at: tuple[float, float], height: float, sigma: float = 1.3) -> np.ndarray:
    y, x = np.indices(SHAPE)
    return height * np.exp(-((x - at[0]) ** 2 + (y - at[1]) ** 2) / (2 * sigma**2))


def make_work(text: str = RED, **settings: Any) -> Work:
    """Return a star and a knot in a smooth nebula, the star's place dug out and ringed as a residual would."""
    rng = np.random.default_rng(5)
    y, x = np.indices(SHAPE)
    nebula = 0.05 + 2e-4 * x + 1e-4 * y
    pixels = rng.normal(0.0, SIGMA, (3, *SHAPE)) + bump(STAR, 0.5) + 0.2 * bump(KNOT, 0.1)
    emission = (nebula + bump(KNOT, 0.1) + bump(STAR, 0.08) - bump(STAR, 0.12, 0.7)).astype(np.float32)
    pixels[0] += nebula
    noise = {plane: MappingProxyType({1: SIGMA}) for plane in ("red", "green", "blue")}
    colour = pixels.astype(np.float32)
    rgb = Master(
        pixels=colour, flags=flags_of(colour), planes=("red", "green", "blue"), facts=Facts(noise=noise)
    )
    ha = Master(pixels=emission[None], flags=flags_of(emission[None]), planes=("ha",))
    scaled = (colour[0] + 10.0 * bump(KNOT, 0.1) + rng.normal(0, SIGMA, SHAPE)).astype(np.float32)
    knots = np.arange(32) == 1
    line = Line(scaled=scaled, emission=emission, sigma=SIGMA, scaled_sigma=SIGMA, broad="red", knots=knots)
    # Faint ones in a corner, found at five sigma: they tell the mask what the noise is.
    places = np.array([STAR, KNOT] + [(112.0, 84.0)] * 30)
    peak = np.array([0.5, 0.1] + [5.0 * SIGMA] * 30)
    count = np.ones(len(peak))
    stars = Stars(places, 5 * count, 0.01 * count, peak, 3 * count, count, count > 2)
    recipe = load_recipe(
        VERSION + text, where="r.toml", settings={k.replace("__", "."): v for k, v in settings.items()}
    )
    work = Work(recipe=recipe, target=target_from_options(["rgb=a.fits", "ha=b.fits"]))
    return with_star_mask(
        work.with_(masters={"rgb": rgb, "ha": ha}, lines={"ha": line}, stars=stars, fwhm_px={"rgb": 3.0})
    )


def gained(work: Work) -> np.ndarray:
    done = blend_linear(work)
    assert done.linear is not None
    return done.linear[0].astype(np.float64) - work.rgb.pixels[0]


def test_behind_a_star_the_nebula_goes_on_without_hole_or_ring() -> None:
    y, x = np.indices(SHAPE)
    near = np.hypot(x - STAR[0], y - STAR[1]) < 12
    nebula = 0.05 + 2e-4 * x + 1e-4 * y
    # Linear nebulae are filled to the bins' rounding; the residual of 0.12 is 60 times this.
    assert np.abs(gained(make_work()) - nebula)[near].max() < 0.002
    assert np.abs(gained(make_work(protect__stars=0)) - nebula)[near].max() > 0.03


def test_a_knot_of_gas_keeps_its_light() -> None:
    work = make_work()
    assert work.recorded["protect"]["line_sources"] == 1
    y, x = np.indices(SHAPE)
    near = np.hypot(x - KNOT[0], y - KNOT[1]) < 8
    assert np.array_equal(gained(work)[near], gained(make_work(protect__stars=0))[near])


def test_nought_protects_nothing_and_half_does_half() -> None:
    whole, none, half = (gained(make_work(protect__stars=s)) for s in (1.0, 0.0, 0.5))
    line = make_work().lines["ha"].emission
    assert line is not None
    assert none == pytest.approx(line, abs=1e-7)
    assert half == pytest.approx(0.5 * (whole + none), abs=1e-7)
    work = make_work(protect__stars=0)
    assert guard_lines(work) is work


@pytest.mark.parametrize("formula", ["mean", "maximum", "screen", "soft-light"])
@pytest.mark.parametrize("into", ["red", "luminance"])
def test_a_display_blend_changes_a_star_no_more_than_its_surroundings(formula: str, into: str) -> None:
    text = f'[blend.x]\ninto = "{into}"\nfrom = "ha.emission"\nformula = "{formula}"\namount = 0.6\n'
    moved = []
    for strength in (1.0, 0.0):
        work = make_work(text, protect__stars=strength)
        display = np.full((3, *SHAPE), 0.2, dtype=np.float32) + bump(STAR, 0.6).astype(np.float32)
        done = blend_display(guard_lines(work.with_(display=display)))
        assert done.display is not None
        moved.append(done.display[0].astype(np.float64) - display[0])
    row, column = int(STAR[1]), int(STAR[0])
    around = moved[0][row, column + 12]
    most, least = max(around, 0.0), min(around, 0.0)
    # A plane of a brighter star gains more by one ratio; the star is 4 times as bright as the sky.
    slack = 0.01 if into == "red" else 4.0 * abs(around)
    assert least - slack <= moved[0][row, column] <= most + slack
    outside = np.s_[:20, :]
    assert np.array_equal(moved[0][outside], moved[1][outside])


def test_a_cut_that_holds_no_star_is_blended() -> None:
    text = '[blend.x]\ninto = "luminance"\nfrom = "ha.emission"\nformula = "screen"\namount = 0.2\n'
    work = make_work(text)
    assert work.star_mask is not None
    work = work.with_(display=np.full((3, *SHAPE), 0.2, dtype=np.float32))
    bare, empty = (
        blend_display(work.with_(star_mask=mask)) for mask in (None, np.zeros_like(work.star_mask))
    )
    assert bare.display is not None and empty.display is not None
    assert np.array_equal(bare.display, empty.display)


def test_what_a_star_gains_lies_between_nought_and_what_lies_behind_it() -> None:
    work = make_work()
    assert work.star_mask is not None
    base = np.full(SHAPE, 0.2, dtype=np.float32)
    changed = base + np.float32(0.01) - bump(STAR, 0.3).astype(np.float32)
    behind = fill_picture(np.stack([base] * 3), work.star_mask)
    assert np.array_equal(behind.planes, np.full_like(behind.planes, 0.2))
    around = np.full((1, len(behind.places)), 0.01, dtype=np.float32)
    out = limit_gain(work, behind, base, changed, around)
    row, column = int(STAR[1]), int(STAR[0])
    assert out[row, column] == pytest.approx(0.2, abs=1e-6)
    assert out[10, 10] == changed[10, 10]
    brighter = limit_gain(work, behind, base, base + np.float32(0.3), around)
    assert brighter[row, column] == pytest.approx(0.21, abs=1e-6)
    darker = limit_gain(work, behind, base, base - np.float32(0.3), -around)
    assert darker[row, column] == pytest.approx(0.19, abs=1e-6)


@pytest.mark.parametrize("formula", ["mean", "maximum", "screen", "soft-light"])
def test_the_picture_without_stars_gains_the_limit(formula: str) -> None:
    # Slow version: the same steps on a picture that never had a star give what a protected star may gain at most.
    text = (
        f'[blend.x]\ninto = "red"\nfrom = "ha.emission"\nformula = "{formula}"\namount = 0.6\n'
        + RED.replace("blend.red", "blend.first")
    )
    work = guard_lines(make_work(text))
    assert work.star_mask is not None
    filled = np.stack(
        [fill_behind(plane, (work.star_mask > 0).astype(np.float32)) for plane in work.rgb.pixels]
    )
    bare = work.with_(masters={**work.masters, "rgb": work.rgb.with_(pixels=filled)}, star_mask=None)
    with_star, without = (blend_display(stretch(blend_linear(state))) for state in (work, bare))
    none, none_bare = (
        stretch(blend_linear(state.with_(recipe=make_work(RED).recipe))) for state in (work, bare)
    )
    row, column = int(STAR[1]), int(STAR[0])
    gain, most = (
        float(done.display[0, row, column] - plain.display[0, row, column])  # type: ignore[index]
        for done, plain in ((with_star, none), (without, none_bare))
    )
    # Stretches are solved alike; the two fills differ by the noise of a bin's pixels.
    assert min(most, 0.0) - 0.003 <= gain <= max(most, 0.0) + 0.003
    # A line no brighter than the picture leaves a maximum as it is.
    assert formula == "maximum" or abs(most) > 0.003


def test_saturated_places_are_filled_whatever_the_star_list_says() -> None:
    work = make_work()
    flags = work.rgb.flags.copy()
    flags[68:72, 18:22] |= np.uint8(Flag.SATURATED)
    rgb = replace(work.rgb, flags=flags)
    work = with_star_mask(work.with_(masters={**work.masters, "rgb": rgb}))
    assert work.star_mask is not None
    # Whole to four widths of 3 px, none from five.
    assert (work.star_mask[70, 20:33] == 1.0).all() and work.star_mask[70, 37] == 0.0


def test_lumps_of_nebula_in_the_line_do_not_widen_the_mask() -> None:
    wide = make_work()
    again = with_star_mask(wide.with_(fwhm_px={"rgb": 3.0, "ha": 38.0}))
    assert again.recorded["protect"]["fwhm_px"] == 3.0
    assert with_star_mask(wide.with_(fwhm_px={"rgb": 3.0, "ha": 4.1})).recorded["protect"]["fwhm_px"] == 4.1
