"""What the main job's null tests ask, asked of every shipped recipe: no line, no change."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from blend.app.demo.demo import write_night
from blend.app.run.load import load_sources, open_recipe, open_target, shipped_recipes
from blend.base.robust import bin_mean
from blend.files.fits import write_fits
from blend.recipe.pipeline import PICTURE_STEPS, STEPS, run_all
from blend.recipe.state import Work
from blend.science.picture.colourspace import ciede2000, linear_to_lab, srgb_decode
from blend.science.simulated.night import Night, SceneOptions, simulate_night

SIZE = {"rows": 400, "columns": 600, "ha_grid": "same", "calibrated": True}
EARLY = STEPS[: len(STEPS) - len(PICTURE_STEPS)]
RECIPES = sorted(shipped_recipes())


def balanced(night: Night, folder: Path, recipe: str, *, settings: tuple[str, ...] = ()) -> Work:
    """Return a night's work before its picture; [O III] is drawn from the green plane, [S II] from the red."""
    path = write_night(night, folder)
    settings = ("register.transform=none", *settings)
    for name in lines_of(recipe)[1:]:
        _add_line(night, path, name)
    target = open_target(path)
    chosen = open_recipe(recipe, settings=settings, target=target)
    return run_all(Work(recipe=chosen, target=target, sources=load_sources(target).sources), steps=EARLY)


def lines_of(recipe: str) -> tuple[str, ...]:
    return {"two-lines": ("ha", "oiii"), "three-lines": ("ha", "oiii", "sii")}.get(recipe, ("ha",))


def _add_line(night: Night, target: Path, name: str) -> None:
    plane, wavelength_nm = {"oiii": (1, 500.7), "sii": (0, 672.4)}[name]
    noise = np.float32(3e-4) * np.random.default_rng(1 + plane).standard_normal(
        night.ha.light.shape, dtype=np.float32
    )
    light = noise + night.truth.ha_sky
    if not night.options.ha_pure_noise:
        light += np.float32(night.truth.continuum_scale) * night.truth.continuum[plane]
    write_fits(target.parent / f"{name}.fits", light, planes=(name,), cards={"SATURATE": 1.0}, wcs=None)
    with target.open("a") as file:
        file.write(f'\n[masters.{name}]\nlight = "{name}.fits"\nline_nm = {wavelength_nm}\nwidth_nm = 7.0\n')


def picture(work: Work) -> np.ndarray:
    done = run_all(work, steps=PICTURE_STEPS).display
    assert done is not None
    return done


def unblended(work: Work) -> Work:
    return work.with_(recipe=work.recipe.model_copy(update={"blend": {}}))


@pytest.fixture(scope="module")
def continuum_night() -> Night:
    return simulate_night(SceneOptions(**SIZE, seed=3, ha_is_continuum_only=True))


@pytest.mark.parametrize("recipe", RECIPES)
def test_scaled_continuum_changes_nothing_and_amount_zero_no_bit(
    recipe: str, continuum_night: Night, tmp_path: Path
) -> None:
    work = balanced(continuum_night, tmp_path, recipe)
    bare = picture(unblended(work))
    zero = {name: blend.model_copy(update={"amount": 0.0}) for name, blend in work.recipe.blend.items()}
    none = picture(work.with_(recipe=work.recipe.model_copy(update={"blend": zero})))
    assert none.tobytes() == bare.tobytes()
    labs = [
        linear_to_lab(srgb_decode(np.stack([bin_mean(plane, 8) for plane in display]).astype(np.float32)))
        for display in (picture(work), bare)
    ]
    difference = ciede2000(labs[0], labs[1])
    difference = difference[np.isfinite(difference)]
    # The bars of the main job.
    assert np.median(difference) <= 0.2
    assert difference.max() <= 0.5, recipe


@pytest.mark.parametrize("recipe", RECIPES)
def test_pure_noise_adds_no_structure(recipe: str, tmp_path: Path) -> None:
    night = simulate_night(replace(SceneOptions(**SIZE), seed=4, ha_pure_noise=True))
    lines = lines_of(recipe)
    work = balanced(night, tmp_path, recipe, settings=tuple(f"continuum.{name}.scale=0.5" for name in lines))
    for name in lines:
        emission = work.lines[name].emission
        assert emission is not None
        # The bar of the main job.
        share = np.count_nonzero(emission > 0) / emission.size
        assert share <= 1e-4, (recipe, name, share)
