"""Single frames of an invented colour camera: the counts of every photosite, whole numbers, clipped.

Where `camera` draws stacked masters at once, this draws the frames they would be made of, for what happens before
stacking: calibration on the mosaic, registration, rejection.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from blend.base.rowblocks import ROWS_PER_BLOCK, map_row_blocks
from blend.science.sensor import COLOURS, sites
from blend.science.simulated.camera import Camera, Pixels, _Sensor

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
    def _sensor(self) -> _Sensor:
        return _Sensor(self.camera, self.shape, self.seed)

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
