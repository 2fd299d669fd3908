"""From masters whose headers say when, where and what: the Moon's own shape under a nebula that fills the frame."""

from __future__ import annotations

import html
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from astropy.wcs import WCS

from blend.app.run.job import run_target
from blend.app.run.load import open_recipe, open_target
from blend.base.master import Facts, Master, flags_of
from blend.files.fits import write_fits
from blend.files.reader import read_picture
from blend.recipe.steps.skyfacts import moon_facts
from blend.science.simulated.night import SceneOptions, simulate_night
from blend.science.sky.blocks import chebyshev_terms, unit_coordinates
from blend.science.sky.gradient import fit_sky
from blend.science.sky.objects import object_mask

SHAPE = (280, 420)
PLANES = ("red", "green", "blue")
CARDS = {"DATE-OBS": "2024-01-20T20:00:00", "SITELAT": 47.0, "SITELONG": 11.0, "SITEELEV": 600.0}
# A field of 7.5 degrees: the predicted slope stands out over the noise.


def wcs() -> Any:
    made = WCS(naxis=2)
    made.wcs.ctype, made.wcs.crval = ["RA---TAN", "DEC--TAN"], [83.8, -5.4]
    made.wcs.crpix, made.wcs.cdelt = [210.5, 140.5], [-7.5 / 420, 7.5 / 420]
    made.wcs.pc = [[0.8, -0.6], [0.6, 0.8]]
    return made


def moonlit(levels: Sequence[float], planes: Sequence[str] = PLANES, *, flipped: float = 0.0) -> np.ndarray:
    """Return the sky of each plane as date, site and coordinates predict it, a share of it turned by 180 degrees."""
    pixels = np.ones((1, *SHAPE), dtype=np.float32)
    facts = Facts(date_obs=CARDS["DATE-OBS"], site=(47.0, 11.0, 600.0), wcs=wcs())
    master = Master(pixels=pixels, flags=flags_of(pixels), planes=("ha",), facts=facts)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    terms = chebyshev_terms(*unit_coordinates(np.stack([x.ravel(), y.ravel()], axis=1), SHAPE), degree=2)
    skies = []
    for level, plane in zip(levels, planes, strict=True):
        shape = moon_facts(master).shape(master, plane, None)
        assert shape is not None
        sky = (level * (terms @ shape)).reshape(SHAPE)
        skies.append((1.0 - flipped) * sky + flipped * sky[::-1, ::-1])
    return np.stack(skies).astype(np.float32)


def files(folder: Path, *, flipped: float = 0.0, line_by_moon: bool = True) -> tuple[Path, np.ndarray]:
    """Write a nebula that fills the frame, its sky by the Moon; return the target file and that sky.

    The line's sky, too, unless ``line_by_moon`` is False: then it slopes as the simulator likes, another way.
    """
    night = simulate_night(
        SceneOptions(rows=SHAPE[0], columns=SHAPE[1], kind="nebula", seed=3, calibrated=True, ha_grid="same")
    )
    sky = moonlit([float(np.median(plane)) for plane in night.truth.sky], flipped=flipped)
    night = replace(night, rgb=replace(night.rgb, light=night.rgb.light + (sky - night.truth.sky)))
    if line_by_moon:
        line_sky = moonlit([float(np.median(night.truth.ha_sky))], ["ha"])
        night = replace(night, ha=replace(night.ha, light=night.ha.light + (line_sky - night.truth.ha_sky)))
    for name, light, planes in (("rgb", night.rgb.light, PLANES), ("ha", night.ha.light, ("ha",))):
        write_fits(folder / f"{name}.fits", light, planes=planes, cards=CARDS, wcs=wcs())
    path = folder / "t.toml"
    text = 'name = "t"\n[masters.rgb]\nlight = "rgb.fits"\n[masters.ha]\nlight = "ha.fits"\nwidth_nm = 7\n'
    path.write_text(text, encoding="utf-8")
    return path, sky


def run(path: Path, model: str, guide: str) -> tuple[dict[str, Any], np.ndarray, str]:
    target = open_target(path)
    settings = (f"gradient.model={model}", f"gradient.guide={guide}", "register.transform=none")
    recipe = open_recipe("nebula-emission", settings=settings, target=target)
    out = path.parent / f"{model}-{guide}"
    outcome = run_target(recipe, target, out=out, stages=True)
    before = read_picture(out / "stages" / "rgb-registered.fits").pixels
    after = read_picture(out / "stages" / "rgb-flattened.fits").pixels
    return outcome.record, before - after, (out / "report.html").read_text(encoding="utf-8")


def plain_sky(path: Path) -> np.ndarray:
    """Return what a surface fitted to all that is not masked takes for the sky."""
    planes = read_picture(path.parent / "rgb.fits").pixels
    masked = object_mask(planes)
    return np.stack([fit_sky(plane, masked=masked).model() for plane in planes])


def left(model: np.ndarray, sky: np.ndarray) -> Iterator[float]:
    """Give what is left of each plane's slope, peak to peak over peak to peak."""
    for taken, true in zip(model, sky, strict=True):
        off = taken - true
        yield float(np.nanmax(off) - np.nanmin(off)) / float(np.ptp(true))


def test_the_moon_s_shape_is_fitted_from_the_headers(tmp_path: Path) -> None:
    path, sky = files(tmp_path)
    record, taken, report = run(path, "moonlight", "line")
    shares, without = list(left(taken, sky)), list(left(plain_sky(path), sky))
    # One strength is free: a hundredth of the slope is five times what the noise leaves of it.
    assert max(shares) < 0.01
    assert max(shares) < 0.25 * min(without)
    assert all(record["gradient"]["rgb"][plane]["model"] == "moonlight" for plane in PLANES)
    assert all(record["gradient"]["rgb"][plane]["moon"]["agrees"] for plane in PLANES)
    assert not [entry for entry in record["warnings"] if entry["code"] == "slope-unlike-moon"]
    assert "beside what the Moon would make" in report
    assert "no, see the notes" not in report


def test_a_line_whose_sky_is_not_the_moon_s_still_guides(tmp_path: Path) -> None:
    path, sky = files(tmp_path, line_by_moon=False)
    record, taken, _ = run(path, "moonlight", "line")
    # Held to the Moon's shape, the line's sky would tilt what guides the red plane: 12 % of its slope were left.
    assert max(left(taken, sky)) < 0.01
    assert record["gradient"]["ha"]["ha"]["degree"] == 1
    assert "strength" not in record["gradient"]["ha"]["ha"]


def test_a_half_turned_sky_is_told_from_the_moon_s(tmp_path: Path) -> None:
    # A quarter of the frames turned: half of the slope is left, far from cancelled.
    path, _ = files(tmp_path, flipped=0.25)
    record, _, report = run(path, "polynomial", "line")
    texts = [entry["text"] for entry in record["warnings"] if entry["code"] == "slope-unlike-moon"]
    assert [text.split(":")[0] for text in texts] == ["rgb.red", "rgb.green", "rgb.blue"]
    # Half a slope in the right direction: two orientations come first.
    assert all("Likely causes: frames of two orientations summed (meridian flip)" in text for text in texts)
    assert all(text in html.unescape(report) for text in texts)
    assert "no, see the notes" in report
