"""A hole in a master from files to files: the crop, what is told, and what pictures and data hold there."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits

from blend.app.demo.demo import write_night
from blend.app.run.job import run_target
from blend.app.run.load import open_recipe, open_target
from blend.base.robust import bin_mean
from blend.files.reader import read_picture
from blend.science.simulated.night import SceneOptions, simulate_night

OPTIONS = SceneOptions(rows=400, columns=600, calibrated=True, seed=7)
PLACE = np.s_[150:190, 250:310]  # beside the nucleus


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write a night, run it, and return its folder; the results are in ``out``."""
    folder = tmp_path_factory.mktemp("night")
    run(write_night(simulate_night(OPTIONS), folder))
    return folder


def run(target: Path, *settings: str, stages: bool = False) -> dict[str, object]:
    opened = open_target(target)
    recipe = open_recipe("galaxy-moonlit", settings=settings, target=opened)
    run_target(recipe, opened, out=target.parent / "out", stages=stages)
    return dict(json.loads((target.parent / "out" / "record.json").read_text(encoding="utf-8")))


def pierced(
    whole: Path, folder: Path, name: str, *places: tuple[slice, slice], planes: slice = np.s_[:]
) -> Path:
    """Copy the night without its data in some places of one master, and return its target file."""
    shutil.copytree(whole, folder, dirs_exist_ok=True, ignore=shutil.ignore_patterns("out"))
    path = folder / f"{name}-light.fits"
    pixels, header = fits.getdata(path).astype(np.float32), fits.getheader(path)
    for place in places:
        (pixels if pixels.ndim == 2 else pixels[planes])[(..., *place)] = np.nan
    fits.writeto(path, pixels, header, overwrite=True)
    return next(folder.glob("*.target.toml"))


def codes(record: dict[str, object]) -> dict[str, str]:
    return {entry["code"]: entry["text"] for entry in record["warnings"]}  # type: ignore[attr-defined]


def missing(folder: Path, name: str) -> np.ndarray:
    data = fits.getdata(folder / "out" / name)
    return np.isnan(data if data.ndim == 3 else data[None])


def test_a_whole_night_is_told_nothing(whole: Path) -> None:
    told = codes(json.loads((whole / "out" / "record.json").read_text(encoding="utf-8")))
    assert not {"hole-filled", "crop-cost"} & set(told)


def test_a_hole_in_the_line_costs_no_crop_and_is_told(whole: Path, tmp_path: Path) -> None:
    before = json.loads((whole / "out" / "record.json").read_text(encoding="utf-8"))
    record = run(pierced(whole, tmp_path, "ha", PLACE, np.s_[300:301, 500:501]), stages=True)
    assert record["crop"] == before["crop"]
    text = codes(record)["hole-filled"]
    assert text.startswith("ha holds no data inside: 2 holes of ")
    assert "crop-cost" not in codes(record)
    # The hole is turned and scaled with its master; its rim, 200 px long, is uncertain by less than a pixel.
    gone = missing(tmp_path, "emission.fits")[0]
    matrix = np.array(record["register"]["ha"]["matrix"])  # type: ignore[index]
    assert gone.sum() == pytest.approx(40 * 60 * abs(np.linalg.det(matrix)), abs=200)
    assert np.array_equal(missing(tmp_path, "linear.fits"), np.stack([gone] * 3))
    shown, clean = (read_picture(folder / "out" / "result.fits").pixels for folder in (tmp_path, whole))
    assert np.isfinite(shown).all()
    # The colour is there all the same: what differs is the line's share, outside the hole next to nothing.
    differ = np.stack([bin_mean(plane, 8) for plane in np.abs(shown - clean)])
    inside = bin_mean(gone.astype(np.float32), 8) > 0
    assert np.median(differ[:, ~inside]) < 0.002
    assert np.median(differ[:, inside]) < 0.02
    stage = fits.getdata(tmp_path / "out" / "stages" / "ha-balanced.fits")
    assert np.isnan(stage).sum() >= gone.sum()


def test_a_hole_in_one_plane_of_the_colour_is_filled_in_all(whole: Path, tmp_path: Path) -> None:
    record = run(pierced(whole, tmp_path, "rgb", PLACE, planes=np.s_[1:2]))
    text = codes(record)["hole-filled"]
    assert "1 hole of 2400 px, 1.00% of the frame, 60 x 40 px around (280, 170)" in text
    shown = read_picture(tmp_path / "out" / "result.fits").pixels
    assert np.isfinite(shown).all()
    x, y = record["crop"]["x"], record["crop"]["y"]  # type: ignore[index]
    place = np.s_[:, 150 - y : 190 - y, 250 - x : 310 - x]
    assert missing(tmp_path, "linear.fits")[place].all()
    assert missing(tmp_path, "linear.fits").sum() == 3 * 2400
    assert missing(tmp_path, "emission.fits").sum() == 2400
    # Filled with light of its surroundings: the galaxy, not black.
    clean = read_picture(whole / "out" / "result.fits").pixels
    assert np.abs(shown[place].mean(axis=(1, 2)) - clean[place].mean(axis=(1, 2))).max() < 0.1


def test_a_line_that_no_blend_uses_takes_nothing_from_the_colour(whole: Path, tmp_path: Path) -> None:
    run(pierced(whole, tmp_path, "ha", PLACE), "blend.red.amount=0", "blend.luminance.amount=0")
    assert not missing(tmp_path, "linear.fits").any()
    assert missing(tmp_path, "emission.fits").any()


@pytest.mark.parametrize("setting", ['output.crop="full-coverage"', 'register.canvas="common"'])
def test_a_crop_that_takes_more_than_a_twentieth_says_so(whole: Path, tmp_path: Path, setting: str) -> None:
    target = pierced(whole, tmp_path, "ha", np.s_[150:200, :])
    record = run(target, setting)
    told = codes(record)
    assert "hole-filled" not in told
    box = record["crop"]
    text = told["crop-cost"]
    assert text.startswith(f"{setting.replace('=', ' = ')} leaves out ")
    assert f"{box['w']} x {box['h']} of 600 x 400 px" in text  # type: ignore[index]
    assert "of the frame they hold: rgb 100%, ha 8" in text


def test_a_crop_that_cuts_the_target_says_so(whole: Path, tmp_path: Path) -> None:
    told = codes(run(pierced(whole, tmp_path, "ha", np.s_[:, :300])))
    assert "cuts the target: of an ellipse of " in told["target-cut"] and "crop-cost" in told
    assert "target-cut" not in codes(run(pierced(whole, tmp_path / "b", "ha", np.s_[:, :20])))
