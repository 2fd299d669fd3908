"""Masters of one or two lights: offsets as counts, rays that nothing clips, and the level that saturation took."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from astropy.io import fits
from click.testing import CliRunner

from blend.app.cli.commands import blend as cli
from blend.app.frames.stack import stack_frames
from blend.app.frames.stacked import StackOptions
from blend.app.run.job import run_target
from blend.app.run.load import load_sources, open_recipe, open_target
from blend.app.run.replay import replay_record
from blend.base.errors import FaultList, InputError, StepError
from blend.base.master import Flag
from blend.files.fits import fits_header_text, write_fits
from blend.files.reader import read_picture
from blend.recipe.model import load_recipe
from blend.recipe.state import Work
from blend.recipe.steps.calibrate import calibrate
from blend.recipe.target import load_target, target_from_options, target_schema

SHAPE = (260, 340)
OFFSET = 671.0
FULL = 65535.0


def field(shift: float = 0.0, *, fwhm: float = 2.6, seed: int = 1) -> np.ndarray:
    """Return stars on a sky of 900 counts, without offset or noise; the first two are brighter than full scale."""
    rng = np.random.default_rng(seed)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    light = np.full(SHAPE, 900.0)
    for number in range(60):
        cx, cy = rng.uniform(20, SHAPE[1] - 20) + shift, rng.uniform(20, SHAPE[0] - 20)
        height = 2e5 if number < 2 else 10.0 ** rng.uniform(2.5, 4.4)
        light += height * np.exp(-4.0 * np.log(2.0) * ((x - cx) ** 2 + (y - cy) ** 2) / fwhm**2)
    return light


def vignetting() -> np.ndarray:
    """Return a flat of mean 1 or so, from 0.85 at the sides to 1.05."""
    return np.broadcast_to(1.05 - 0.2 * np.linspace(-1.0, 1.0, SHAPE[1]) ** 2, SHAPE)


def put(path: Path, light: np.ndarray, *, seed: int, rays: int = 0, **cards: object) -> np.ndarray:
    """Write a frame of 16 bits with an offset; return where its rays are."""
    rng = np.random.default_rng(seed)
    counts = OFFSET + rng.poisson(light) + rng.normal(0.0, 5.0, SHAPE)
    hit = np.zeros(SHAPE, dtype=bool)
    dark = np.argwhere(light[8:-8, 8:-20] < 930.0) + 8
    for y, x in dark[rng.choice(len(dark), rays, replace=False)]:
        counts[y, x : x + 3] += 1500.0
        hit[y, x : x + 3] = True
    counts = np.clip(np.rint(counts), 0, FULL).astype(np.uint16)
    fits.writeto(path, counts, fits.Header({"EXPTIME": 900.0, "CCDMEAN": 64.1, **cards}))
    return hit


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, list[np.ndarray]]:
    folder = tmp_path_factory.mktemp("few")
    hits = [put(folder / f"light-{n}.fits", field(3.0 * n) * vignetting(), seed=n, rays=40) for n in range(2)]
    for n in range(3):
        put(folder / f"flat-{n}.fits", 20_000.0 * vignetting(), seed=50 + n)
    flats = [folder / f"flat-{n}.fits" for n in range(3)]
    stack_frames("flat", flats, out=folder / "flat.fits", options=StackOptions(bias=OFFSET))
    return folder, hits


def options(folder: Path) -> StackOptions:
    return StackOptions(bias=OFFSET, flat=folder / "flat.fits")


def test_one_light_becomes_a_master_without_its_rays(
    night: tuple[Path, list[np.ndarray]], tmp_path: Path
) -> None:
    folder, hits = night
    done = stack_frames("light", [folder / "light-0.fits"], out=tmp_path / "m.fits", options=options(folder))
    assert done.facts["frames"] == 1
    assert 38 <= done.facts["rays"] <= 42
    assert done.rows[0].rays == done.facts["rays"]
    assert "1 frame stacked" in done.text()
    assert " rays " in done.text()
    assert not any("black" in note or "offset" in note for note in done.notes)
    master = read_picture(tmp_path / "m.fits")
    assert master.facts.frames == 1
    truth = field() / FULL
    ray = master.pixels[0][hits[0]] - truth[hits[0]]
    assert np.abs(np.median(ray)) < 10.0 / FULL
    assert np.abs(ray).max() < 200.0 / FULL


def test_an_offset_of_counts_does_as_a_master_of_that_level(
    night: tuple[Path, list[np.ndarray]], tmp_path: Path
) -> None:
    folder, _ = night
    level = np.full((1, *SHAPE), OFFSET, dtype=np.float32)
    write_fits(tmp_path / "bias.fits", level, planes=("grey",), cards={"IMAGETYP": "master bias"})
    lights = [folder / f"light-{n}.fits" for n in range(2)]
    for name, bias in (("a", OFFSET), ("b", tmp_path / "bias.fits")):
        chosen = StackOptions(bias=bias, flat=folder / "flat.fits")
        stack_frames("light", lights, out=tmp_path / f"{name}.fits", options=chosen)
    assert (read_picture(tmp_path / "a.fits").pixels == read_picture(tmp_path / "b.fits").pixels).all()


def test_words_of_the_command_line_take_a_number(
    night: tuple[Path, list[np.ndarray]], tmp_path: Path
) -> None:
    folder, _ = night
    words = ["stack", "light", str(folder / "light-0.fits"), "--flat", str(folder / "flat.fits")]
    done = CliRunner().invoke(cli, [*words, "--bias", "671", "--out", str(tmp_path / "m.fits"), "--quiet"])
    assert done.exit_code == 0, done.output
    with pytest.raises(StepError, match="--bias: 70000 counts; expected an offset from 0 to full scale"):
        stack_frames(
            "light", [folder / "light-0.fits"], out=tmp_path / "n.fits", options=StackOptions(bias=70000.0)
        )


def test_saturated_stars_are_known_though_the_flat_spreads_their_level(
    night: tuple[Path, list[np.ndarray]], tmp_path: Path
) -> None:
    folder, _ = night
    stack_frames("light", [folder / "light-0.fits"], out=tmp_path / "m.fits", options=options(folder))
    counts = read_picture(folder / "light-0.fits").pixels[0]
    full = counts >= 0.99 * FULL
    assert full.sum() > 4
    stated = float(fits_header_text(tmp_path / "m.fits")["SATLEV"])
    pixels = read_picture(tmp_path / "m.fits").pixels[0]
    assert stated == pytest.approx(pixels[full].min(), rel=1e-6)
    assert float(fits_header_text(tmp_path / "m.fits")["SATURATE"]) == 1.0
    # a run knows each of them
    target = target_from_options([f"rgb.{c}={tmp_path / 'm.fits'}" for c in ("red", "green", "blue")])
    recipe = load_recipe("version = 1\n", where="r.toml")
    work = calibrate(Work(recipe=recipe, target=target, sources=load_sources(target).sources))
    light = work.sources["rgb"].lights[0]
    assert light.has(Flag.SATURATED)[full].all()
    assert light.facts.saturation["red"] == pytest.approx(stated)


def test_two_lights_too_sharp_alone_have_each_others_word(tmp_path: Path) -> None:
    for n in range(2):
        put(tmp_path / f"l{n}.fits", field(4.0 * n, fwhm=1.7), seed=20 + n, rays=30)
    alone = stack_frames(
        "light", [tmp_path / "l0.fits"], out=tmp_path / "one.fits", options=StackOptions(bias=OFFSET)
    )
    assert alone.facts["rays"] is None
    both = stack_frames(
        "light",
        [tmp_path / "l0.fits", tmp_path / "l1.fits"],
        out=tmp_path / "two.fits",
        options=StackOptions(bias=OFFSET),
    )
    assert all(row.rays is not None and 25 <= row.rays <= 36 for row in both.rows)


def test_frames_enough_are_not_searched(tmp_path: Path) -> None:
    for n in range(5):
        put(tmp_path / f"l{n}.fits", field(2.0 * n), seed=40 + n)
    done = stack_frames("light", [tmp_path], out=tmp_path / "m.fits", options=StackOptions(bias=OFFSET))
    assert done.facts["rays"] is None
    assert all(row.rays is None for row in done.rows)


def test_a_trail_is_told_and_left_to_the_other_light(tmp_path: Path) -> None:
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    streak = 400.0 * (np.abs(0.5 * x + 40.0 - y) < 1.5)
    for n in range(2):
        put(tmp_path / f"l{n}.fits", field() + (streak if n == 0 else 0.0), seed=60 + n)
    frames = [tmp_path / "l0.fits", tmp_path / "l1.fits"]
    one = stack_frames("light", frames[:1], out=tmp_path / "one.fits", options=StackOptions(bias=OFFSET))
    two = stack_frames("light", frames, out=tmp_path / "two.fits", options=StackOptions(bias=OFFSET))
    clean = stack_frames("light", frames[1:], out=tmp_path / "clean.fits", options=StackOptions(bias=OFFSET))
    assert [("l0.fits: a straight streak" in note) for note in one.notes] == [True]
    assert any("left to the other frames" in note for note in two.notes)
    assert not any("streak" in note for note in clean.notes)
    dark = (streak > 0) & (field() < 930.0)
    left = {
        name: np.nanmedian(read_picture(tmp_path / f"{name}.fits").pixels[0][dark]) for name in ("one", "two")
    }
    assert left["one"] * FULL == pytest.approx(1300.0, rel=0.02)
    assert left["two"] * FULL == pytest.approx(900.0, rel=0.02)


# --- a bias in a target file --------------------------------------------------------------------------------


def test_a_target_file_takes_a_number_for_a_bias(tmp_path: Path) -> None:
    text = 'name = "t"\n[masters.rgb]\nlight = "rgb.fits"\nbias = {}'
    target = load_target(text.format("671"), where="t.toml", folder=tmp_path)
    assert target.masters["rgb"].bias == 671.0
    assert [role for role, _ in target.masters["rgb"].paths()] == ["light"]
    assert target.masters["rgb"].described()["bias"] == 671.0
    named = load_target(text.format('"671"'), where="t.toml", folder=tmp_path)
    assert named.masters["rgb"].bias == tmp_path / "671"
    for wrong in ("-3", "true", "[1]"):
        with pytest.raises(FaultList, match=r"masters\.rgb\.bias"):
            load_target(text.format(wrong), where="t.toml", folder=tmp_path)
    words = target_from_options(["rgb=a.fits"], calibration={"bias": ["rgb=671"]})
    assert words.masters["rgb"].bias == 671.0
    stated = target_schema()["$defs"]["MasterFiles"]["properties"]["bias"]
    assert {"type": "number", "minimum": 0} in stated["anyOf"][0].get("anyOf", stated["anyOf"])


def test_a_level_above_full_scale_is_refused(night: tuple[Path, list[np.ndarray]]) -> None:
    light = night[0] / "light-0.fits"
    words = [f"rgb.{c}={light}" for c in ("red", "green", "blue")]
    target = target_from_options(words, calibration={"bias": ["rgb=70000"]})
    with pytest.raises(InputError, match=r"masters\.rgb\.bias: 70000 counts, where full scale is 65535"):
        load_sources(target)


def test_a_run_takes_the_level_off_fills_rays_and_is_replayed(
    night: tuple[Path, list[np.ndarray]], tmp_path: Path
) -> None:
    folder, hits = night
    text = """
name = "few"
[masters.rgb]
light = { red = "light-0.fits", green = "light-1.fits", blue = "light-1.fits" }
bias = 671
[masters.rgb.facts]
frames = 1
"""
    recipe_text = 'version = 1\n[output]\nformats = ["fits"]\n'
    (tmp_path / "plain.toml").write_text(recipe_text)
    path = folder / "few.target.toml"
    path.write_text(text)
    target = open_target(path)
    recipe = open_recipe(str(tmp_path / "plain.toml"), target=target)
    done = run_target(recipe, target, out=tmp_path / "out", stages=True)
    rays = done.record["masters"]["rgb"]["rays"]
    assert set(rays) == {"red", "green", "blue"}
    # what stands alone was filled as a hot pixel before; three in a row are rays
    assert all(35 <= count <= 45 for count in rays.values())
    assert done.record["setup"]["rgb"]["bias"] == 671.0
    assert "cosmic-rays" in {warning["code"] for warning in done.record["warnings"]}
    stage = read_picture(tmp_path / "out" / "stages" / "rgb.red-calibrated.fits").pixels[0]
    level = np.nanmedian(stage)
    assert level == pytest.approx(900.0 * np.median(vignetting()) / FULL, rel=0.05)
    assert np.nanmedian(stage[hits[0]]) == pytest.approx(level, rel=0.15)
    again = replay_record(tmp_path / "out" / "record.json")
    assert {word for name, word in again.outputs if name.endswith(".fits")} == {"same bytes"}


def test_a_master_keeps_where_the_telescope_stood_and_pointed(tmp_path: Path) -> None:
    """Read back, the facts are those of the first light that states them: the Moon is asked of masters."""
    put(tmp_path / "a.fits", field(), seed=1, RA="11:58:42.8", DEC="+53:15:23")
    put(tmp_path / "b.fits", field(2.0), seed=2, RA=179.9, DEC=53.3, SITELAT=45.5, SITELONG=-7.25)
    lights = [tmp_path / "a.fits", tmp_path / "b.fits"]
    stack_frames("light", lights, out=tmp_path / "m.fits", options=StackOptions(bias=OFFSET))
    facts = read_picture(tmp_path / "m.fits").facts
    assert facts.pointing == pytest.approx((179.678333, 53.256389), abs=1e-6)
    assert facts.site == (45.5, -7.25, 0.0)
