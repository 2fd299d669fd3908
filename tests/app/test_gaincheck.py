"""A gain is measured from two flats and two bias frames, and from nothing else."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from astropy.io import fits
from numpy.typing import NDArray

from blend.app.gain import measure_gain
from blend.base.errors import BlendError, InputError

GAIN_E, READ_E, OFFSET = 1.6, 5.0, 600.0
SHAPE = (240, 320)


def frame(electrons: float | NDArray[np.float64], seed: int) -> NDArray[np.float32]:
    """Return counts of a sensor that holds so many electrons a pixel, with shot and read noise."""
    rng = np.random.default_rng(seed)
    held = rng.poisson(np.broadcast_to(electrons, SHAPE)) + rng.normal(0.0, READ_E, SHAPE)
    return np.rint(held / GAIN_E + OFFSET).astype(np.float32)


def field(level: float, seed: int) -> NDArray[np.float64]:
    """Return the electrons of a sky with stars, a little moved from frame to frame."""
    rng = np.random.default_rng(11)
    y, x = np.mgrid[: SHAPE[0], : SHAPE[1]]
    light = np.full(SHAPE, level)
    for _ in range(90):
        at_x, at_y, peak = rng.uniform(0, SHAPE[1]), rng.uniform(0, SHAPE[0]), 200.0 * rng.pareto(0.8) + 200.0
        light += min(peak, 6e4) * np.exp(-((x - at_x - seed) ** 2 + (y - at_y) ** 2) / 4.5)
    return light


def vignetted(level: float) -> NDArray[np.float64]:
    v, u = np.meshgrid(np.linspace(-1, 1, SHAPE[0]), np.linspace(-1, 1, SHAPE[1]), indexing="ij")
    return level * (1.0 - 0.2 * (u**2 + v**2))


def save(folder: Path, *frames: NDArray[np.float32], **cards: Any) -> list[Path]:
    paths = []
    for number, pixels in enumerate(frames):
        path = folder / f"f{number}.fits"
        fits.PrimaryHDU(pixels, fits.Header(cards)).writeto(path)
        paths.append(path)
    return paths


def refused(paths: list[Path]) -> BlendError:
    with pytest.raises(BlendError) as caught:
        measure_gain(paths[:2], paths[2:])
    return caught.value


@pytest.mark.parametrize("apart", [1.0, 1.5])
def test_flats_and_bias_frames_tell_the_gain(apart: float, tmp_path: Path) -> None:
    flats = frame(vignetted(20000.0), 1), frame(vignetted(20000.0 / apart), 2)
    paths = save(tmp_path, *flats, frame(0.0, 3), frame(0.0, 4))
    found = measure_gain(paths[:2], paths[2:])
    assert abs(found.whole.gain_e - GAIN_E) < 4.0 * found.whole.gain_error
    assert found.whole.read_noise_e == pytest.approx(READ_E, rel=0.05)


def test_lights_are_no_flats(tmp_path: Path) -> None:
    lights = [frame(field(level, seed), seed) for seed, level in enumerate((900.0, 880.0, 700.0, 690.0))]
    fault = refused(save(tmp_path, *lights))
    assert isinstance(fault, InputError)
    assert "stand far above its level, as stars do; expected a flat, lit evenly" in str(fault)


def test_lights_are_no_bias_frames(tmp_path: Path) -> None:
    lights = [frame(field(200.0, seed), seed) for seed in range(2)]
    fault = refused(save(tmp_path, frame(20000.0, 8), frame(20000.0, 9), *lights))
    assert fault.exit_code == 3
    assert "expected a bias frame, dark all over" in str(fault)


def test_flats_of_two_lights_are_refused(tmp_path: Path) -> None:
    fault = refused(save(tmp_path, frame(20000.0, 1), frame(6000.0, 2), frame(0.0, 3), frame(0.0, 4)))
    assert fault.exit_code == 3
    assert "by a factor of 3.3" in str(fault)


def test_bias_frames_of_two_levels_are_refused(tmp_path: Path) -> None:
    fault = refused(save(tmp_path, frame(20000.0, 1), frame(20000.0, 2), frame(0.0, 3), frame(900.0, 4)))
    assert fault.exit_code == 3
    assert "two bias frames of one level" in str(fault)


def test_flats_hardly_above_the_bias_frames_noise_are_refused(tmp_path: Path) -> None:
    # 12 electrons of light beside a read noise of 5, squared 25
    fault = refused(save(tmp_path, frame(12.0, 1), frame(12.0, 2), frame(0.0, 3), frame(0.0, 4)))
    assert "expected flats whose light dominates the noise" in str(fault)
