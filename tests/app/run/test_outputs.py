"""Which way up a picture is written, seen on an arrow."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from astropy.wcs import WCS

from blend.app.run.outputs import turner
from blend.base.errors import StepError


def arrow() -> np.ndarray:
    """Return an upright picture with an arrow that points up, its tail marked at the right."""
    picture = np.zeros((3, 7, 5), dtype=np.float32)
    picture[:, :, 2] = 1
    picture[:, 1, 1:4] = 1
    picture[:, 6, 3] = 0.5
    return picture


def work(*, rows: str, up: Any, wcs: Any = None) -> Any:
    """Return just enough of a finished run."""
    facts = SimpleNamespace(rows=rows, wcs=wcs)
    return SimpleNamespace(
        rgb=SimpleNamespace(facts=facts), recipe=SimpleNamespace(output=SimpleNamespace(up=up))
    )


def solved(*, angle_deg: float, mirrored: bool) -> WCS:
    """Return a sky whose north lies ``angle_deg`` counter-clockwise from +y of the array (y along rows)."""
    wcs = WCS(naxis=2)
    wcs.wcs.ctype = ["RA---TAN", "DEC--TAN"]
    wcs.wcs.crpix = [3, 4]
    wcs.wcs.crval = [150.0, 20.0]
    angle = np.radians(angle_deg)
    north = np.array([-np.sin(angle), np.cos(angle)])
    east = np.array([-np.cos(angle), -np.sin(angle)]) * (-1 if mirrored else 1)
    # Columns of the inverse: where one degree north and one degree east lie in pixels.
    wcs.wcs.cd = np.linalg.inv(np.stack([east, north], axis=1) / 1e-3)
    return wcs


def test_rows_from_the_bottom_are_written_upright() -> None:
    stored = arrow()[:, ::-1]
    assert np.array_equal(turner(work(rows="bottom-up", up="file"))(stored), arrow())
    assert np.array_equal(turner(work(rows="top-down", up="file"))(arrow()), arrow())


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_quarter_turns_are_counter_clockwise(turns: int) -> None:
    turned = turner(work(rows="top-down", up=turns))(arrow())
    assert np.array_equal(turned, np.rot90(arrow(), turns, axes=(1, 2)))
    if turns == 1:
        # Turned counter-clockwise, the arrow points left: its head's bar lies in the second column.
        assert turned[0, 1:4, 1].all()


@pytest.mark.parametrize("rows", ["bottom-up", "top-down"])
@pytest.mark.parametrize("mirrored", [False, True])
@pytest.mark.parametrize("angle", [0, 90, 180, 270, 20])
def test_north_comes_up_and_east_left(rows: str, mirrored: bool, angle: float) -> None:
    wcs = solved(angle_deg=angle, mirrored=mirrored)
    stored = np.zeros((3, 61, 61), dtype=np.float32)
    # A mark 20 px to the north of the middle and a fainter one 20 px to the east, put there through the WCS.
    middle = wcs.pixel_to_world_values(30, 30)
    north = wcs.world_to_pixel_values(middle[0], middle[1] + 0.02)
    east = wcs.world_to_pixel_values(middle[0] + 0.02 / np.cos(np.radians(middle[1])), middle[1])
    for (x, y), value in ((north, 1.0), (east, 0.5)):
        stored[:, round(float(y)), round(float(x))] = value
    picture = turner(work(rows=rows, up="north", wcs=wcs))(stored)
    north_at = np.argwhere(picture[0] == 1.0)[0] - 30
    east_at = np.argwhere(picture[0] == 0.5)[0] - 30
    # Quarter turns only: 20 degrees off stay 20 degrees off.
    assert north_at[0] < -15
    assert east_at[1] < -15


def test_north_without_coordinates_is_refused() -> None:
    with pytest.raises(StepError, match="no celestial coordinates"):
        turner(work(rows="top-down", up="north"))
