"""A simulated colour camera and its files: counts of every photosite, whole numbers, clipped, and DNG to keep them in.

Where `blend.science.simulated` draws stacked masters at once, this draws the frames they would be made of, for what
happens before stacking: calibration on the mosaic, registration, rejection.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from fractions import Fraction
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.rowblocks import ROWS_PER_BLOCK, map_row_blocks
from blend.files.whole import writing
from blend.science.sensor import COLOURS, sites
from blend.science.simulated.camera import Camera, Pixels, Sensor

KINDS = ("light", "dark", "flat", "bias")
Counts = NDArray[np.uint16]


@dataclass(frozen=True)
class Body:
    """A camera with a Bayer mosaic.

    Attributes
    ----------
    camera : Camera
        With one plane, the photosites.
    shape : (rows, columns)
    pattern : str
    seed : int
        Of the sensor's faults and of all noise.
    """

    camera: Camera
    shape: tuple[int, int]
    pattern: str = "RGGB"
    seed: int = 1

    @cached_property
    def _sensor(self) -> Sensor:
        return Sensor(self.camera, self.shape, self.seed)

    @property
    def span_e(self) -> float:
        """Electrons from black to full scale."""
        return self.camera.gain_e * (self.camera.full_scale_adu - self.camera.bias_adu)

    def hot_xy(self) -> NDArray[np.int64]:
        """Return columns and rows of the hot photosites, (n, 2)."""
        return self._sensor.hot_xy

    def shoot(self, kind: str, number: int, *, signal: Pixels | None = None) -> Counts:
        """Take one frame.

        counts = round((Poisson(light response + dark) + N(0, R^2)) / gain + bias), clipped

        Parameters
        ----------
        kind : "light", "dark", "flat" or "bias"
        number : int
            Another number, another noise.
        signal : (3, rows, columns), optional
            Light of one frame in red, green, blue, fraction of full scale less black; for lights and flats.

        Returns
        -------
        (rows, columns) uint16
        """
        camera, sensor = self.camera, self._sensor
        light = None if signal is None else self._mosaic(signal)
        out = np.empty(self.shape, dtype=np.uint16)

        def fill(block: slice) -> None:
            key = np.random.SeedSequence(
                entropy=self.seed,
                spawn_key=(KINDS.index(kind), camera.number, number, block.start // ROWS_PER_BLOCK),
            )
            rng = np.random.Generator(np.random.SFC64(key))
            mean = np.zeros((block.stop - block.start, self.shape[1]), dtype=np.float32)
            if kind in ("light", "dark"):
                mean += sensor.dark_e(0, block)
            if light is not None:
                mean += light[block] * np.float32(self.span_e) * sensor.response(0, block)
            electrons = rng.poisson(np.maximum(mean, 0.0)).astype(np.float32)
            electrons += np.float32(camera.read_noise_e) * rng.standard_normal(mean.shape, dtype=np.float32)
            counts = np.rint((electrons + sensor.bias_e(0)) / np.float32(camera.gain_e))
            out[block] = np.clip(counts, 0, camera.full_scale_adu).astype(np.uint16)

        map_row_blocks(fill, self.shape[0])
        return out

    def _mosaic(self, signal: Pixels) -> Pixels:
        mosaic = np.empty(self.shape, dtype=np.float32)
        for plane, colour in enumerate(COLOURS):
            for dx, dy in sites(self.pattern, colour):
                mosaic[dy::2, dx::2] = signal[plane, dy::2, dx::2]
        return mosaic


_CFA = {"R": 0, "G": 1, "B": 2}


def write_dng(
    path: Path,
    mosaic: NDArray[np.integer],
    *,
    pattern: str,
    black: tuple[int, int, int, int] = (512, 512, 512, 512),
    white: int = 16383,
    exposure_s: float | None = None,
    orientation: int = 1,
    **told: Any,
) -> None:
    """Write photosites as they are.

    Parameters
    ----------
    path : Path
    mosaic : (rows, columns) integer
        0 to 65535.
    pattern : str
        ``"RGGB"`` for example.
    black : tuple of four int
        Of the photosites of a cell, in reading order.
    white : int
    exposure_s : float, optional
    orientation : int
        1 to 8, as in TIFF.
    told : optional
        ``camera`` (str), ``iso`` (int), ``temperature_c`` (float), ``date`` (datetime).

    Notes
    -----
    Speed and temperature stand beside the rest, where a reader of TIFF finds them; a camera keeps them in a table of
    their own. Integers only: floats would be rescaled by their own maximum when they are read.

    References
    ----------
    Adobe DNG Specification 1.4 (tag numbers from memory, tried against LibRaw 0.22).
    """
    import tifffile

    camera = str(told.get("camera", "Invented Lantern 24"))
    maker, _, model = camera.partition(" ")
    tags: list[tuple[int, Any, int, Any, bool]] = [
        (254, "I", 1, 0, True),
        (271, "s", 0, maker, True),
        (272, "s", 0, model or maker, True),
        (274, "H", 1, orientation, True),
        (33421, "H", 2, (2, 2), True),
        (33422, "B", 4, bytes(_CFA[letter] for letter in pattern), True),
        (50706, "B", 4, bytes((1, 4, 0, 0)), True),
        (50707, "B", 4, bytes((1, 1, 0, 0)), True),
        (50708, "s", 0, camera, True),
        (50710, "B", 3, bytes((0, 1, 2)), True),
        (50711, "H", 1, 1, True),
        (50713, "H", 2, (2, 2), True),
        (50714, "H", 4, black, True),
        (50717, "H", 1, white, True),
        (50721, "2i", 9, (1, 1, 0, 1, 0, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 1, 1, 1), True),
        (50728, "2I", 3, (1, 2, 1, 1, 3, 5), True),
        (50778, "H", 1, 21, True),
    ]
    if exposure_s is not None:
        share = Fraction(exposure_s).limit_denominator(100_000)
        tags.append((33434, "2I", 1, (share.numerator, share.denominator), True))
    if "iso" in told:
        tags.append((34855, "H", 1, int(told["iso"]), True))
    if "temperature_c" in told:
        tags.append((37888, "2i", 1, (round(10 * told["temperature_c"]), 10), True))
    if "date" in told:
        date: datetime = told["date"]
        tags.append((306, "s", 0, date.strftime("%Y:%m:%d %H:%M:%S"), True))
    with writing(path):
        tifffile.imwrite(
            path,
            np.ascontiguousarray(mosaic, dtype=np.uint16),
            photometric=32803,
            compression=None,
            metadata=None,
            software=False,
            extratags=tags,
        )
