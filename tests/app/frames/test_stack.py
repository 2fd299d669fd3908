"""From frames to masters: small invented cameras, planted faults, planted truth."""

from __future__ import annotations

import csv
import io
import json
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from raw_camera import Body, write_dng

from blend.app.cli.commands import blend as cli
from blend.app.cli.frames import gain as gain_command
from blend.app.cli.frames import stack as stack_command
from blend.app.frames.gain import exposure_facts, measure_gain
from blend.app.frames.groups import expand, parse_memory
from blend.app.frames.stack import stack_frames
from blend.app.frames.stacked import Kind, Stacked, StackOptions
from blend.base.errors import BlendError, InputError, StepError
from blend.files.fits import fits_header_text, write_fits
from blend.files.raw import read_mosaic
from blend.files.reader import read_picture
from blend.science.grid.transforms import apply_matrix
from blend.science.sensor.mosaic import half_matrix
from blend.science.sensor.mosaic_calibration import fit_centres
from blend.science.simulated.camera import Camera
from blend.science.simulated.drawing import View, add_sources
from blend.science.simulated.scene import Sources
from blend.science.stars.stars import find_stars, typical_fwhm

SHAPE = (240, 320)
SKY = np.array([0.05, 0.07, 0.06], dtype=np.float32)
CAMERA = Camera(
    number=0, planes=("photosites",), exposure_s=60.0, frames=1, gain_e=2.0, hot_per_mpx=800.0, glow_e_s=0.3
)
BODY = Body(CAMERA, SHAPE, pattern="GBRG", seed=5)
DITHER = np.random.default_rng(77).uniform(-5.0, 5.0, (12, 2))
DITHER[0] = 0.0


def field(seed: int) -> Sources:
    """Return some stars, none of them close to another."""
    rng = np.random.default_rng(seed)
    grid = np.stack(np.meshgrid(np.arange(14, 316, 28), np.arange(14, 236, 28)), axis=-1).reshape(-1, 2)
    keep = rng.permutation(len(grid))[:60]
    flux = np.exp(rng.uniform(np.log(0.8), np.log(5.0), 60))
    return Sources(grid[keep] + rng.uniform(-7.0, 7.0, (60, 2)), flux, np.zeros(60), np.zeros(60))


FIELD = field(1)


def place(number: int, *, turned: bool = False) -> np.ndarray:
    """Return where a light lies on the first one."""
    matrix = np.eye(3)
    if turned:
        matrix[:2, :2] = -np.eye(2)
        matrix[:2, 2] = SHAPE[1] - 1, SHAPE[0] - 1
    matrix[:2, 2] += DITHER[number % len(DITHER)]
    return matrix


def light(
    matrix: np.ndarray, sources: Sources = FIELD, *, clear: float = 1.0, fwhm: float = 3.4
) -> np.ndarray:
    """Return stars and sky of one light in three planes."""
    planes = np.zeros((3, *SHAPE), dtype=np.float32)
    flux = clear * np.array([[0.7], [1.0], [0.8]]) * sources.flux
    add_sources(planes, View(SHAPE, matrix, fwhm), sources, flux, fwhm_px=fwhm)
    return planes + SKY[:, None, None]


@dataclass(frozen=True)
class Night:
    """Folders of frames, and the masters made of them."""

    root: Path
    dark: Stacked
    flat: Stacked


def save(path: Path, kind: str, number: int, signal: np.ndarray | None = None, **told: object) -> None:
    """Shoot a frame and write it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    facts = {"exposure_s": 60.0, "iso": 800} | told
    write_dng(path, BODY.shoot(kind, number, signal=signal), pattern=BODY.pattern, **facts)  # type: ignore[arg-type]


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Night:
    """Shoot darks, flats and lights once; a light among the darks, a stray, clouds and a satellite among the lights."""
    root = tmp_path_factory.mktemp("night")
    for number in range(8):
        save(root / "dark" / f"d{number}.dng", "dark", number)
        save(
            root / "flat" / f"f{number}.dng",
            "flat",
            number,
            np.full((3, *SHAPE), 0.4 + 0.01 * number, np.float32),
        )
    for number in range(8):
        signal = light(place(number, turned=number >= 5), clear=0.7 if number == 3 else 1.0)
        if number == 2:
            signal[:, 100:102] += 0.3
        save(root / "light" / f"l{number}.dng", "light", number, signal)
    save(root / "stray.dng", "light", 50, light(np.eye(3), field(99)))
    dark = stack_frames("dark", [root / "dark"], out=root / "m" / "dark.fits")
    flat = stack_frames(
        "flat",
        [root / "flat"],
        out=root / "m" / "flat.fits",
        options=StackOptions(dark=root / "m" / "dark.fits"),
    )
    return Night(root, dark, flat)


def test_the_master_dark_is_the_mean_and_says_what_it_is(night: Night) -> None:
    raws = [read_mosaic(path).pixels for path in sorted((night.root / "dark").glob("*.dng"))]
    master = read_mosaic(night.dark.out)
    assert master.head.pattern == BODY.pattern
    assert (master.head.facts.frames, master.head.facts.exposure_s, master.head.facts.iso) == (8, 60.0, 800.0)
    assert fits_header_text(night.dark.out)["TOTEXP"] == "480.0"
    difference = master.pixels - np.mean(raws, axis=0)
    # read noise 1.75 counts a frame: clipping moves a mean of eight by a fraction of it, rarely
    assert np.median(np.abs(difference)) < 0.05
    assert np.abs(difference).mean() < 0.1


def test_flats_are_scaled_to_one_level_and_their_offset_is_out(night: Night) -> None:
    master = read_mosaic(night.flat.out)
    assert master.head.black == (0.0,) * 4
    level = float(np.median(master.pixels)) / (CAMERA.full_scale_adu - 512)
    assert level == pytest.approx(0.435, rel=0.02)
    # eight flats of 13 000 e with pixels that differ by 0.5 %; unequal levels would be clipped or add 5 %
    assert max(row.rejected_share or 0.0 for row in night.flat.rows) < 0.03


def lights_of(night: Night, tmp_path: Path, **changes: object) -> Stacked:
    """Stack the lights."""
    masters = StackOptions(
        dark=night.dark.out, flat=night.flat.out, reference=Path("l0.dng"), gain_e=2.0, temp=tmp_path
    )
    options = replace(masters, **changes)  # type: ignore[arg-type]
    return stack_frames("light", [night.root / "light"], out=tmp_path / "master.fits", options=options)


@pytest.fixture(scope="module")
def colour(night: Night, tmp_path_factory: pytest.TempPathFactory) -> Stacked:
    """Stack the lights in colour once."""
    return lights_of(night, tmp_path_factory.mktemp("colour"))


def test_lights_in_colour(colour: Stacked) -> None:
    done = colour
    table = {Path(row.file).name: row for row in done.rows}
    assert all(row.kept for row in table.values())
    assert [row.flipped for row in table.values()] == [False] * 5 + [True] * 3
    assert table["l3.dng"].transparency == pytest.approx(0.7, rel=0.02)
    for number in range(5):
        # truth: the shift of the centre; 60 stars of a single frame
        found = (table[f"l{number}.dng"].shift_x_px, table[f"l{number}.dng"].shift_y_px)
        np.testing.assert_allclose(found, DITHER[number], atol=0.06)
    picture = read_picture(done.out)
    assert picture.planes == ("red", "green", "blue")
    inside = picture.pixels[:, 12:-12, 12:-12]
    truth = light(np.eye(3))[:, 12:-12, 12:-12]
    # black, dark and flat are out: the sky is the true one, in fractions of full scale
    np.testing.assert_allclose(np.median(inside, axis=(1, 2)), np.median(truth, axis=(1, 2)), rtol=0.01)
    sky = truth[1] < np.median(truth[1]) + 0.0005
    noise = done.facts["noise"]["green"]["1"]
    residual = (inside[1] - truth[1])[sky]
    # planted: a satellite of 0.3, hot photosites; interpolation smooths what is left of the noise
    assert np.abs(residual).max() < 8.0 * noise
    assert 0.4 * noise < residual.std() < noise


def test_little_memory_goes_by_the_disk_and_changes_nothing(
    night: Night, colour: Stacked, tmp_path: Path
) -> None:
    done = lights_of(night, tmp_path, memory_bytes=250 * 2**20)
    assert colour.facts["temporary_bytes"] == 0
    assert done.facts["temporary_bytes"] > 8 * 3 * 4 * SHAPE[0] * SHAPE[1]
    assert not list(tmp_path.glob(".blend-*"))  # temporary files are gone
    assert done.out.read_bytes() == colour.out.read_bytes()


def test_the_master_header_is_honest(colour: Stacked) -> None:
    done = colour
    facts = read_picture(done.out).facts
    assert (facts.exposure_s, facts.frames) == (60.0, 8)
    cards = fits_header_text(done.out)
    assert float(cards["TOTEXP"]) == 480.0
    span = CAMERA.full_scale_adu - 512
    assert facts.gain_e == pytest.approx(2.0 * span * done.facts["effective_frames"], rel=1e-6)
    # a photosite of green: sky and dark electrons and read noise, of eight frames, one of them dimmed
    electrons = 0.07 * span * 2.0 + 0.02 * 60.0 + 3.5**2
    one = np.sqrt(electrons) / (span * 2.0)
    assert float(cards["GNOIS1"]) == pytest.approx(one / np.sqrt(8.0), rel=0.15)
    assert "X0" not in cards


def test_red_photosites_lie_where_the_header_says(night: Night, tmp_path: Path) -> None:
    done = lights_of(night, tmp_path, line="ha")
    picture = read_picture(done.out)
    cards = fits_header_text(done.out)
    x0, y0, scale = (float(cards[key]) for key in ("X0", "Y0", "XYSCALE"))
    assert (x0, y0, scale) == (0.0, 1.0, 2.0)  # red of GBRG
    # the older words for the same, counted from 1: X_here = LTM X_full + LTV
    assert float(cards["LTM1_1"]) * (x0 + 1) + float(cards["LTV1"]) == pytest.approx(1.0)
    assert float(cards["LTM2_2"]) * (y0 + 1) + float(cards["LTV2"]) == pytest.approx(1.0)
    stars = find_stars(picture.pixels[0])
    centres = fit_centres(picture.pixels[0], stars.xy, fwhm_px=typical_fwhm(stars))
    found = apply_matrix(half_matrix(BODY.pattern), centres)
    apart = found[:, None] - FIELD.xy[None]
    nearest = np.hypot(*apart.transpose(2, 0, 1)).argmin(axis=1)
    error = apart[np.arange(len(found)), nearest]
    bright = FIELD.flux[nearest] > 2.0
    assert bright.sum() > 12
    # a half-pixel error would be 0.5 or 1; the grid is the first frame's, good to its own stars
    assert np.abs(np.median(error[bright], axis=0)).max() < 0.05
    assert np.median(np.hypot(*error[bright].T)) < 0.08


def test_table_a_stray_frame_and_the_map_of_rejections(night: Night, tmp_path: Path) -> None:
    options = StackOptions(
        demosaic="half", rejected=tmp_path / "rejected.fits", method="clip", dark=night.dark.out
    )
    frames = [*(night.root / "light" / f"l{number}.dng" for number in (0, 1, 2, 4)), night.root / "stray.dng"]
    done = stack_frames("light", frames, out=tmp_path / "master.fits", options=options)
    told = json.loads(done.json())
    assert told["facts"]["left_out"] == 1
    rows = list(csv.DictReader(io.StringIO(done.csv())))
    assert [row["file"] for row in rows] == [frame["file"] for frame in told["frames"]]
    assert rows[-1]["kept"] == "False"
    assert "another target" in rows[-1]["why"]
    assert "left out: its stars" in done.text()
    counts = read_picture(tmp_path / "rejected.fits").pixels[0]
    # the satellite crossed at row 100, which is 50 here, and its frame moved by some pixels
    assert 40 < np.argmax(counts.mean(axis=1)) < 60
    assert fits_header_text(done.out)["X0"] == "0.5"


def test_the_command_line(night: Night, tmp_path: Path) -> None:
    out = tmp_path / "dark.fits"
    arguments = [
        "dark",
        str(night.root / "dark"),
        "--out",
        str(out),
        "--json",
        "--quiet",
        "--csv",
        str(tmp_path / "t.csv"),
    ]
    result = CliRunner().invoke(stack_command, arguments)
    assert result.exit_code == 0, result.output
    assert json.loads(result.stdout)["facts"]["frames"] == 8
    assert out.read_bytes() == night.dark.out.read_bytes()
    assert (tmp_path / "t.csv").read_text().count("\n") == 9


def test_the_limit_of_clipping_has_a_name_and_keeps_its_old_one(night: Night, tmp_path: Path) -> None:
    words = ["dark", str(night.root / "dark"), "--method", "clip", "--quiet", "--out"]
    made = {}
    for option in ("--clip-sigma", "--kappa"):
        for limit in ("2", "4"):
            out = tmp_path / f"{option}{limit}.fits"
            result = CliRunner().invoke(stack_command, [*words, str(out), option, limit])
            assert result.exit_code == 0, result.output
            made[option, limit] = out.read_bytes()
    assert made["--clip-sigma", "2"] == made["--kappa", "2"] != made["--clip-sigma", "4"]
    assert (
        CliRunner().invoke(stack_command, [*words, str(tmp_path / "n.fits"), "--kappa", "1.5"]).exit_code == 2
    )
    shown = CliRunner().invoke(stack_command, ["--help"]).output
    assert "--clip-sigma" in shown and "kappa" not in shown


# --- frames that do not belong ------------------------------------------------------------------------------


def test_a_light_among_the_darks_is_found_by_its_stars(night: Night, tmp_path: Path) -> None:
    files = [*sorted((night.root / "dark").glob("*.dng")), night.root / "light" / "l0.dng"]
    done = stack_frames("dark", files, out=tmp_path / "d.fits")
    assert [row.kept for row in done.rows] == [True] * 8 + [False]
    assert "it is a light" in done.rows[-1].why


def test_a_dark_with_leaked_light_is_left_out(night: Night, tmp_path: Path) -> None:
    leak = np.full((3, *SHAPE), 0.002, np.float32)
    save(tmp_path / "leak.dng", "light", 70, leak)
    done = stack_frames("dark", [night.root / "dark", tmp_path / "leak.dng"], out=tmp_path / "d.fits")
    assert "light leaked in" in done.rows[-1].why
    assert done.facts["frames"] == 8


def test_mixed_exposures_are_refused_with_their_groups(night: Night, tmp_path: Path) -> None:
    for number in range(3):
        save(tmp_path / f"x{number}.dng", "dark", 80 + number, exposure_s=30.0)
    frames = [night.root / "dark", *sorted(tmp_path.glob("x*.dng"))]
    with pytest.raises(InputError) as fault:
        stack_frames("dark", frames, out=tmp_path / "d.fits")
    text = str(fault.value)
    assert "group 1: 8 frames of 60 s, ISO 800 (d0.dng ...)" in text
    assert "group 2: 3 frames of 30 s, ISO 800" in text
    done = stack_frames("dark", frames, out=tmp_path / "d.fits", options=StackOptions(group=2))
    assert done.facts["frames"] == 3


def test_mixed_cameras_are_refused(night: Night, tmp_path: Path) -> None:
    raw = BODY.shoot("dark", 1)
    write_dng(tmp_path / "other.dng", raw[:-2], pattern=BODY.pattern)
    with pytest.raises(InputError, match=r"its pixels are 320 x 238; expected 320 x 240, as in d0\.dng"):
        stack_frames("dark", [night.root / "dark", tmp_path / "other.dng"], out=tmp_path / "d.fits")
    write_dng(tmp_path / "other.dng", raw, pattern="RGGB")
    with pytest.raises(InputError, match="its pattern is RGGB; expected GBRG"):
        stack_frames("dark", [night.root / "dark", tmp_path / "other.dng"], out=tmp_path / "d.fits")


def test_too_few_frames_and_empty_folders(night: Night, tmp_path: Path) -> None:
    with pytest.raises(InputError, match="1 frame; expected at least 2"):
        stack_frames("dark", [night.root / "dark" / "d0.dng"], out=tmp_path / "d.fits")
    with pytest.raises(InputError, match="nowhere: there is no such file or folder"):
        stack_frames("dark", [tmp_path / "nowhere"], out=tmp_path / "d.fits")
    (tmp_path / "empty").mkdir()
    with pytest.raises(InputError, match="the folder holds no frames"):
        stack_frames("light", [tmp_path / "empty"], out=tmp_path / "d.fits")
    both = [night.root / "light" / "l0.dng", night.root / "stray.dng"]
    with pytest.raises(StepError, match="1 of the frames can be stacked"):
        stack_frames("light", both, out=tmp_path / "d.fits")
    assert not (tmp_path / "d.fits").exists()


@pytest.mark.parametrize(("kind", "share"), [("dark", 0.5), ("dark", 0.99), ("light", 0.5), ("light", 0.99)])
def test_a_truncated_frame_is_left_out_and_named(
    night: Night, tmp_path: Path, kind: Kind, share: float
) -> None:
    frames = sorted((night.root / kind).iterdir())
    whole = frames[0].read_bytes()
    cut = tmp_path / "cut.dng"
    cut.write_bytes(whole[: int(share * len(whole))])
    out = tmp_path / "master.fits"
    done = stack_frames(kind, [cut, *frames], out=out)
    assert out.exists()
    (row,) = [row for row in done.rows if row.file == str(cut)]
    assert not row.kept and "the raw file is damaged or cut short" in row.why
    assert done.facts["left_out"] == 1 + sum(not row.kept for row in done.rows if row.file != str(cut))


def test_frames_that_are_all_truncated_are_refused(night: Night, tmp_path: Path) -> None:
    for number, share in enumerate((0.5, 0.99, 0.99)):
        whole = (night.root / "dark" / "d0.dng").read_bytes()
        (tmp_path / f"cut{number}.dng").write_bytes(whole[: int(share * len(whole))])
    with pytest.raises(BlendError, match="damaged or cut short"):
        stack_frames("dark", [tmp_path], out=tmp_path / "d.fits")


def test_masters_in_each_other_s_places_are_refused(night: Night, tmp_path: Path) -> None:
    dark, flat = night.root / "m" / "dark.fits", night.root / "m" / "flat.fits"
    with pytest.raises(InputError, match="its header says that it is a flat"):
        stack_frames(
            "light", [night.root / "light"], out=tmp_path / "l.fits", options=StackOptions(dark=flat)
        )
    with pytest.raises(InputError, match="its header says that it is a dark"):
        stack_frames(
            "light", [night.root / "light"], out=tmp_path / "l.fits", options=StackOptions(flat=dark)
        )
    with pytest.raises(StepError, match="that of a frame that saw light"):
        stack_frames("bias", [night.root / "flat"], out=tmp_path / "b.fits")
    lights = stack_frames("flat", [night.root / "light"], out=tmp_path / "f.fits")
    assert any("these are lights" in note for note in lights.notes)
    assert not any("these are lights" in note for note in night.dark.notes)


def test_memory_that_does_not_do_is_said(night: Night, tmp_path: Path) -> None:
    with pytest.raises(StepError, match=r"at least .* MiB for frames of this size"):
        stack_frames(
            "dark", [night.root / "dark"], out=tmp_path / "d.fits", options=StackOptions(memory_bytes=2**20)
        )
    assert parse_memory("2GiB") == 2**31
    with pytest.raises(InputError, match="a size such as 2GiB"):
        parse_memory("plenty")


def test_a_folder_means_its_frames_once(night: Night) -> None:
    folder = night.root / "dark"
    assert expand([folder, folder / "d0.dng"]) == sorted(folder.glob("*.dng"))


# --- gain -----------------------------------------------------------------------------------------------------


def test_gain_of_the_camera(night: Night, tmp_path: Path) -> None:
    for number in range(2):
        save(tmp_path / f"b{number}.dng", "bias", number)
        save(tmp_path / f"f{number}.dng", "flat", number, np.full((3, *SHAPE), 0.5, np.float32))
    flats, biases = [tmp_path / f"f{n}.dng" for n in (0, 1)], [tmp_path / f"b{n}.dng" for n in (0, 1)]
    found = measure_gain(flats, biases)
    assert abs(found.whole.gain_e - 2.0) < 4.0 * found.whole.gain_error
    assert found.whole.gain_error < 0.03
    assert found.whole.read_noise_analogue_e == pytest.approx(3.5, rel=0.03)
    assert len(found.colours) == 4
    result = CliRunner().invoke(gain_command, [str(path) for path in (*flats, *biases)])
    assert result.exit_code == 0
    assert "full scale holds" in result.stdout
    with pytest.raises(InputError, match="two flats first, then two bias frames"):
        measure_gain(biases, flats)


def test_what_an_exposure_was_worth(night: Night) -> None:
    told = exposure_facts(night.root / "light" / "l0.dng", gain_e=2.0, read_noise_e=3.5)
    assert told["sky_share"]["red"] == pytest.approx(0.05, rel=0.05)
    # 0.07 x 15871 x 2 electrons of green sky over 3.5 squared
    assert told["sky_over_read"] == pytest.approx(0.067 * 15871 * 2 / 3.5**2, rel=0.1)
    assert any("limited by the sky" in text for text in told["words"])


def test_inspect_tells_how_a_raw_and_a_fits_mosaic_are_exposed(night: Night, tmp_path: Path) -> None:
    raw = night.root / "light" / "l0.dng"
    run = CliRunner().invoke(cli, ["inspect", str(raw), "--gain", "2", "--read-noise", "3.5"])
    assert run.exit_code == 0, run.output
    for words in (
        "of full scale",
        "limited by the sky",
        "twice the exposure, or twice the ISO",
        BODY.pattern,
    ):
        assert words in run.output
    mosaic = read_mosaic(raw)
    cards = {"BAYERPAT": BODY.pattern, "SATURATE": 16383.0, "EXPTIME": 60.0}
    cards |= {f"BLACK{place}": 512.0 for place in (1, 2, 3, 4)}
    write_fits(tmp_path / "m.fits", mosaic.pixels[np.newaxis], planes=("photosites",), cards=cards)
    told = json.loads(
        CliRunner().invoke(cli, ["inspect", "--json", str(raw), str(tmp_path / "m.fits")]).stdout
    )
    from_raw, from_fits = (entry["exposure"] for entry in told)
    for colour, share in from_raw["sky_share"].items():
        # the raw's scale begins at its black level, the card's at 0: 512 of 16383 is 3 %; clipping may be told lower
        assert from_fits["sky_share"][colour] == pytest.approx(share, rel=0.05)
    assert from_raw["sky_over_read"] is None
    assert from_raw["saturated_share_if_doubled"] >= from_raw["saturated_share"]


def test_frames_of_two_cameras_are_refused(tmp_path: Path) -> None:
    counts = np.full((40, 60), 512, dtype=np.uint16)
    for name, camera in (("a", "Invented Lantern 24"), ("b", "Invented Meadow 9")):
        write_dng(tmp_path / f"{name}.dng", counts, pattern="RGGB", camera=camera)
    with pytest.raises(InputError, match=r"its camera is Invented Meadow 9; expected Invented Lantern 24"):
        stack_frames("dark", [tmp_path], out=tmp_path / "o.fits")
