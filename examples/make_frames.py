"""Draw the raw frames of a simulated moonlit night, or compare a finished picture with what was drawn.

    python examples/make_frames.py draw FOLDER      lights in colour and through H-alpha, darks, flats, bias, as DNG
    python examples/make_frames.py compare FOLDER   the bars of the main job, on FOLDER/result

One camera with a colour sensor takes both. The colour lights are dithered and turned over at the meridian; the H-alpha
lights drift without dither, so that the sensor's faults walk. Hot photosites, glow, dust and vignetting are in all.
"""

from __future__ import annotations

import json
import sys
from dataclasses import replace
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from raw_camera import Body, write_dng

from blend.app.demo.score import compare
from blend.files.reader import header_text, read_picture
from blend.science.sensor.mosaic import half_matrix
from blend.science.simulated.camera import Camera, FrameMasters, stream
from blend.science.simulated.drawing import View, draw
from blend.science.simulated.night import (
    LEAK,
    RESPONSE,
    SKY_COLOUR,
    SKY_SLOPE_BY_PLANE,
    Night,
    SceneOptions,
    Truth,
    moonlight,
    simulate_night,
)
from blend.science.simulated.scene import Scene, make_scene

SHAPE = (1000, 1500)
SEED = 11
GAIN_E = 3.4
PATTERN = "GRBG"
COLOUR_LIGHTS, LINE_LIGHTS, DARKS, FLATS, BIAS = 32, 16, 12, 16, 12
COLOUR_S, LINE_S, FLAT_S = 30.0, 300.0, 2.0
TURN_DEG, OFFSET_PX = 1.3, (22.4, -15.7)
DRIFT_PX = (1.1, 0.6)
WIDTH_NM, RED_WIDTH_NM = 7.0, 100.0
COLOUR_FWHM_PX, LINE_FWHM_PX = 3.4, 3.9
STARS_PER_MPX = 1000.0  # single frames under the Moon show a tenth of them


def options() -> SceneOptions:
    """Return the night as it is drawn."""
    return SceneOptions(
        rows=SHAPE[0],
        columns=SHAPE[1],
        seed=SEED,
        ha_grid="same",
        stars_per_mpx=STARS_PER_MPX,
        rgb_fwhm_px=COLOUR_FWHM_PX,
        line_width_nm=WIDTH_NM,
        red_width_nm=RED_WIDTH_NM,
    )


def scene_of(night: SceneOptions) -> Scene:
    """Return what shines in it."""
    return make_scene(
        SHAPE,
        kind=night.kind,
        streams={name: stream(night.seed, name) for name in ("stars", "knots", "clusters", "nebula")},
        stars_per_mpx=night.stars_per_mpx,
        knots=night.knots,
        line_scale=night.line_scale,
        response=RESPONSE,
    )


def body(exposure_s: float) -> Body:
    """Return the camera, set to one exposure."""
    camera = Camera(
        number=0, planes=("photosites",), exposure_s=exposure_s, frames=1, gain_e=GAIN_E, flat_levels=(0.5,)
    )
    return Body(camera, SHAPE, pattern=PATTERN, seed=SEED)


def placed(turn_deg: float, shift: tuple[float, float]) -> np.ndarray:
    """Return the matrix from a frame to the colour reference: a turn about the middle, then a shift."""
    angle = np.radians(turn_deg)
    matrix = np.eye(3)
    matrix[:2, :2] = [[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]]
    middle = np.array([(SHAPE[1] - 1) / 2.0, (SHAPE[0] - 1) / 2.0])
    matrix[:2, 2] = middle + shift - matrix[:2, :2] @ middle
    return matrix


def colour_place(number: int) -> np.ndarray:
    """Return where a colour light lies: dithered, and turned over in the second half."""
    rng = np.random.default_rng([SEED, number])
    shift = (0.0, 0.0) if number == 0 else tuple(rng.uniform(-9.0, 9.0, 2))
    return placed(180.0 if number >= COLOUR_LIGHTS // 2 else 0.0, (float(shift[0]), float(shift[1])))


def line_place(number: int) -> np.ndarray:
    """Return where a line light lies: drifting always the same way."""
    return placed(TURN_DEG, (OFFSET_PX[0] + number * DRIFT_PX[0], OFFSET_PX[1] + number * DRIFT_PX[1]))


def draw_frames(folder: Path) -> None:
    """Write all frames below a folder."""
    night = options()
    scene = scene_of(night)
    start = datetime(2031, 5, 4, 22, 0, 0)
    colour, line = body(COLOUR_S), body(LINE_S)
    for number in range(COLOUR_LIGHTS):
        seen, glow = draw(scene, View(SHAPE, colour_place(number), COLOUR_FWHM_PX))
        sky = colour_sky(night)
        # moonlight belongs to the sky: a camera turned over sees it turned over
        signal = seen + (sky if number < COLOUR_LIGHTS // 2 else sky[:, ::-1, ::-1])
        signal[0] += glow
        if number == 7:
            signal[:, 200:203] += np.float32(0.25)  # a satellite
        save(folder / "light-rgb", colour, "light", number, signal, start)
    for number in range(LINE_LIGHTS):
        seen, glow = draw(scene, View(SHAPE, line_place(number), LINE_FWHM_PX))
        signal = np.empty_like(seen)
        signal[0] = continuum_scale() * (seen[0] + glow * np.float32(RED_WIDTH_NM / WIDTH_NM)) + line_sky(
            night
        )
        signal[1:] = np.float32(LEAK) * signal[0]
        save(folder / "light-ha", line, "light", number, signal, start + timedelta(hours=2))
    white = np.array([0.42, 0.50, 0.36], dtype=np.float32)[:, None, None]
    even = np.broadcast_to(white, (3, *SHAPE))
    for kind, count, camera, name, light in (
        ("dark", DARKS, colour, "dark-rgb", None),
        ("dark", DARKS, line, "dark-ha", None),
        ("flat", FLATS, body(FLAT_S), "flat", even),
        ("bias", BIAS, body(0.0), "bias", None),
    ):
        for number in range(count):
            place = number + 1000 * (name == "dark-ha")
            save(folder / name, camera, kind, number, light, start + timedelta(hours=6), noise=place)


def continuum_scale() -> np.float32:
    """Return line over red plane for light without a line: the widths' ratio times that of the exposures."""
    return np.float32(WIDTH_NM / RED_WIDTH_NM * LINE_S / COLOUR_S)


def colour_sky(night: SceneOptions) -> np.ndarray:
    """Return moonlight in the three planes: levels and slopes differ from one to the next."""
    return np.stack(
        [
            moonlight(
                SHAPE,
                level=night.moon * SKY_COLOUR[plane],
                slope=night.moon_slope * SKY_SLOPE_BY_PLANE[plane],
                angle_deg=night.moon_angle_deg,
            )
            for plane in range(3)
        ]
    )


def line_sky(night: SceneOptions) -> np.ndarray:
    """Return moonlight through the filter."""
    return moonlight(SHAPE, level=night.ha_moon, slope=0.7 * night.moon_slope, angle_deg=150.0)


def save(
    folder: Path,
    camera: Body,
    kind: str,
    number: int,
    signal: np.ndarray | None,
    start: datetime,
    *,
    noise: int | None = None,
) -> None:
    """Take one frame and write it."""
    folder.mkdir(parents=True, exist_ok=True)
    exposure = camera.camera.exposure_s
    counts = camera.shoot(kind, number if noise is None else noise, signal=signal)
    write_dng(
        folder / f"{folder.name}-{number:03d}.dng",
        counts,
        pattern=PATTERN,
        exposure_s=exposure if exposure else 1 / 4000,
        iso=800,
        temperature_c=11.0,
        date=start + timedelta(seconds=number * (exposure + 6.0)),
    )


def truth_of(folder: Path) -> Night:
    """Return the night as a run on FOLDER's masters must find it."""
    drawn = simulate_night(options())
    ha = read_picture(folder / "masters" / "ha.fits")
    rgb = read_picture(folder / "masters" / "rgb.fits")
    truth: Truth = replace(
        drawn.truth,
        ha_to_rgb=line_place(0) @ half_matrix(PATTERN, "red"),
        continuum_scale=float(continuum_scale()),
    )

    def shaped(masters: FrameMasters, light: np.ndarray) -> FrameMasters:
        return replace(masters, light=light)

    return Night(
        options=drawn.options,
        rgb=shaped(drawn.rgb, rgb.pixels),
        ha=shaped(drawn.ha, ha.pixels),
        truth=truth,
    )


def main() -> int:
    """Draw, or compare."""
    if len(sys.argv) != 3 or sys.argv[1] not in ("draw", "compare"):
        print(__doc__, file=sys.stderr)
        return 2
    folder = Path(sys.argv[2])
    if sys.argv[1] == "draw":
        draw_frames(folder / "frames")
        return 0
    record = json.loads((folder / "result" / "record.json").read_text())
    # a demosaiced and resampled stack hides its noise from every estimator; its header tells what it was before
    cards = header_text(folder / "masters" / "rgb.fits")
    for plane, told in record["masters"]["rgb"]["planes"].items():
        told["noise"] = told["noise"] | {"1": float(cards[f"{plane[0].upper()}NOIS1"])}
    checks = compare(truth_of(folder), record, folder / "result")
    for check in checks:
        verdict = "within" if check.passed else "BEYOND"
        print(f"{check.what:<32} {check.found:8.3f} {check.unit:<6} {verdict} {check.bar:g}")
    return 0 if all(check.passed for check in checks) else 4


if __name__ == "__main__":
    raise SystemExit(main())
