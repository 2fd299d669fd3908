"""White by a catalogue of star colours: an invented night with world coordinates, from files to files."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from astropy.wcs import WCS
from click.testing import CliRunner

from blend.app.batch.plan import is_done
from blend.app.cli.commands import blend
from blend.app.run.load import load_sources, open_recipe, open_target
from blend.app.run.replay import replay_record
from blend.app.trial.input_key import target_key
from blend.base.errors import StepError
from blend.files.fits import write_fits
from blend.recipe.pipeline import STEPS, run_all
from blend.recipe.state import Work
from blend.recipe.steps.balance import balance
from blend.science.simulated.night import Night, SceneOptions, simulate_night

WHITE = 0.65
OPTIONS = SceneOptions(rows=500, columns=750, seed=5, calibrated=True, ha_grid="same", stars_per_mpx=900.0)


def world(shape: tuple[int, int], *, shift: tuple[float, float] = (0.0, 0.0)) -> WCS:
    """Return a plate of 2 arcseconds a pixel, turned by 20 degrees and mirrored as skies are."""
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crval = [359.9, 41.0]
    wcs.wcs.crpix = [shape[1] / 2 + shift[0], shape[0] / 2 + shift[1]]
    c, s = np.cos(np.radians(20.0)), np.sin(np.radians(20.0))
    wcs.wcs.cd = np.array([[-c, s], [s, c]]) * 2.0 / 3600.0
    return wcs


def write(night: Night, folder: Path, *, coordinates: WCS | None) -> Path:
    """Write masters, catalogue and target file; the catalogue says where the stars truly are."""
    folder.mkdir(exist_ok=True)
    for name, masters in (("rgb", night.rgb), ("ha", night.ha)):
        planes = ("red", "green", "blue") if name == "rgb" else ("ha",)
        wcs = coordinates if name == "rgb" else None
        write_fits(folder / f"{name}.fits", masters.light, planes=planes, cards={"SATURATE": 1.0}, wcs=wcs)
    sky = world(night.rgb.light.shape[1:]).pixel_to_world(*night.truth.star_xy.T).icrs
    rng = np.random.default_rng(1)
    # Catalogues are good to some hundredths of a magnitude, have gaps, stars of other fields and wrong entries.
    b_v = night.truth.star_b_v + rng.normal(0.0, 0.03, night.truth.star_b_v.size)
    b_v[:10] = 1.9 - b_v[:10]
    rows = [
        f"{ra:.6f},{dec:.6f},{value:.2f}" for ra, dec, value in zip(sky.ra.deg, sky.dec.deg, b_v, strict=True)
    ]
    rows += ["12.5,-30.0,0.4", f"{sky.ra.deg[0]:.6f},{sky.dec.deg[0] + 0.01:.6f},"]
    (folder / "stars.csv").write_text("# invented\nRA, Dec ,B_V\n" + "\n".join(rows) + "\n")
    target = folder / "night.target.toml"
    target.write_text(
        'name = "night"\n[masters.rgb]\nlight = "rgb.fits"\ncatalogue = "stars.csv"\n'
        '[masters.ha]\nlight = "ha.fits"\nwidth_nm = 7\n'
    )
    return target


def run(target: Path, out: Path, *words: str, white: str = f"b_v={WHITE}") -> tuple[int, str]:
    words = ("--set", f"balance.white={white}", *words)
    done = CliRunner().invoke(
        blend, ["run", "galaxy-moonlit", str(target), "--out", str(out), "--quiet", "--verbose", *words]
    )
    if done.exception is not None and not isinstance(done.exception, SystemExit):
        raise done.exception
    return done.exit_code, done.output


@pytest.fixture(scope="module")
def night() -> Night:
    return simulate_night(OPTIONS)


@pytest.fixture(scope="module")
def done(night: Night, tmp_path_factory: pytest.TempPathFactory) -> tuple[Path, Path, str]:
    folder = tmp_path_factory.mktemp("night")
    # The solution is 6 and 4 pixels off, as one made before a crop.
    target = write(night, folder, coordinates=world(night.rgb.light.shape[1:], shift=(6.0, -4.0)))
    code, told = run(target, folder / "out")
    assert code == 0, told
    return target, folder / "out", told


def test_a_star_of_the_stated_colour_is_white(night: Night, done: tuple[Path, Path, str]) -> None:
    _, out, told = done
    entry = json.loads((out / "record.json").read_text())["balance"]
    gains = np.array([entry["gains"][p] for p in ("red", "green", "blue")])
    errors = np.array([entry["errors"][p] for p in ("red", "green", "blue")])
    off = gains / night.truth.white_gains - 1.0
    # The scene makes 0.65 neutral. 2 % is a tenth of what 0.3 mag of B - V do to blue; and the error is honest.
    assert np.abs(off).max() < 0.02, (gains, night.truth.white_gains)
    assert (np.abs(off) <= 3.5 * errors + 1e-9).all() and errors[[0, 2]].max() < 0.01
    found = entry["catalogue"]
    assert entry["how"] == "catalogue" and found["matched"] >= entry["stars"] >= 40
    assert found["shift_px"] == pytest.approx([-6.0, 4.0], abs=0.2) and found["rms_px"] < 0.5
    # d ln(gain) / d(B-V) of the scene's black bodies.
    assert found["slopes"]["red"] == pytest.approx(-0.41, abs=0.05)
    assert found["slopes"]["blue"] == pytest.approx(0.67, abs=0.07)
    assert "white at B - V = 0.65 by" in told and "B - V = 0.65 is white" in (out / "report.html").read_text()


def test_another_colour_is_white_when_asked_for(
    night: Night, done: tuple[Path, Path, str], tmp_path: Path
) -> None:
    code, told = run(done[0], tmp_path / "out", white="b_v=0.4")
    assert code == 0, told
    gains = json.loads((tmp_path / "out" / "record.json").read_text())["balance"]["gains"]
    # A black body a quarter of a magnitude bluer has less red and more blue by this.
    told_by_slope = night.truth.white_gains * np.exp([0.41 * 0.25, 0.0, -0.67 * 0.25])
    np.testing.assert_allclose([gains["red"], gains["blue"]], told_by_slope[[0, 2]], rtol=0.03)


def test_the_catalogue_counts_as_an_input(done: tuple[Path, Path, str], tmp_path: Path) -> None:
    target, out, _ = done
    record = json.loads((out / "record.json").read_text())
    assert "rgb.catalogue" in [entry["role"] for entry in record["inputs"]]
    assert "catalogue" not in json.dumps(record["setup"])
    again = replay_record(out / "record.json")
    assert again.same and not again.differences
    words = ["batch", "galaxy-moonlit", str(target), "--out", str(tmp_path), "--jobs", "1", "--dry-run"]
    told = CliRunner().invoke(blend, words).output
    assert "night" in told and "stars.csv" not in told, told
    checked = CliRunner().invoke(blend, ["check", "galaxy-moonlit", str(target)])
    assert checked.exit_code == 0 and "stars.csv:" in checked.output and "not used" in checked.output


def test_a_changed_catalogue_is_another_job(done: tuple[Path, Path, str]) -> None:
    target, out, _ = done
    opened = open_target(target)
    recipe = open_recipe("galaxy-moonlit", settings=[f"balance.white=b_v={WHITE}"], target=opened)
    key, csv = target_key(opened, None), target.parent / "stars.csv"
    text = csv.read_text()
    assert is_done(recipe, opened, out)
    try:
        csv.write_text(text + "1.0,2.0,0.3\n")
        assert not is_done(recipe, opened, out) and target_key(opened, None) != key
    finally:
        csv.write_text(text)


@pytest.fixture(scope="module")
def unbalanced(done: tuple[Path, Path, str]) -> Work:
    """Return the night's work just before its balance."""
    opened = open_target(done[0])
    recipe = open_recipe("galaxy-moonlit", settings=[f"balance.white=b_v={WHITE}"], target=opened)
    loaded = load_sources(opened)
    work = Work(recipe=recipe, target=opened, sources=loaded.sources, catalogue=loaded.catalogue)
    names = [step.name for step in STEPS]
    return run_all(work, steps=STEPS[: names.index("balance")])


def solved(work: Work, coordinates: WCS | None) -> Work:
    return work.with_(masters={**work.masters, "rgb": work.rgb.with_facts(wcs=coordinates)})


@pytest.mark.parametrize(
    ("coordinates", "words"),
    [
        (None, ["no world coordinates in the header", "register.reference", 'balance.white = "stars"']),
        (world((500, 750), shift=(90.0, 60.0)), ["within 3 px", "chance alone would give", "solve"]),
        (world((500, 750), shift=(5000.0, 0.0)), ["none of the", "falls on the picture", "ICRS"]),
    ],
)
def test_coordinates_that_do_not_fit_are_told(
    coordinates: WCS | None, words: list[str], unbalanced: Work
) -> None:
    with pytest.raises(StepError) as fault:
        balance(solved(unbalanced, coordinates))
    text = str(fault.value)
    assert text.startswith("masters.rgb.catalogue:") and all(word in text for word in words), text


def test_stars_that_cannot_tell_the_white_are_refused(unbalanced: Work) -> None:
    assert unbalanced.catalogue is not None
    blue = unbalanced.catalogue[unbalanced.catalogue[:, 2] <= 0.5]
    with pytest.raises(StepError, match=r"expected stars on both sides of 0\.65"):
        balance(unbalanced.with_(catalogue=blue))
    with pytest.raises(StepError, match=r"5 of 5 catalogue stars|[0-5] of [0-9]+ catalogue stars"):
        balance(unbalanced.with_(catalogue=unbalanced.catalogue[20:25]))
    shuffled = unbalanced.catalogue.copy()
    shuffled[:, 2] = np.random.default_rng(3).permutation(shuffled[:, 2])
    with pytest.raises(StepError, match=r"check that b_v is B - V in magnitudes"):
        balance(unbalanced.with_(catalogue=shuffled))


def test_a_wrong_share_of_colours_moves_no_gain(unbalanced: Work, night: Night) -> None:
    """A tenth of the stars are given the colour of another star; the fit is told nothing of it."""
    assert unbalanced.catalogue is not None
    wrong = unbalanced.catalogue.copy()
    wrong[::10, 2] = np.roll(wrong[::10, 2], 1)
    gains = np.array(balance(unbalanced.with_(catalogue=wrong)).gains)
    np.testing.assert_allclose(gains, night.truth.white_gains, rtol=0.025)
