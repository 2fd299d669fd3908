"""Planes whose rows are made when they are asked for: all that is asked of them equals the array."""

from __future__ import annotations

from functools import partial

import numpy as np
import pytest

from blend.base.lazyplanes import LazyPlane, LazyPlanes
from blend.base.master import Master, flags_of, scaled

WHOLE = np.random.default_rng(5).integers(0, 4000, (3, 131, 20)).astype(np.float32)


def rows_of(plane, key, divisor, out):
    part = WHOLE[plane][key] / np.float32(divisor)
    if out is not None:
        out[...] = part
    return part if out is None else out


def lazy():
    return LazyPlanes(tuple(LazyPlane(shape=WHOLE.shape[1:], read=partial(rows_of, k)) for k in range(3)))


@pytest.mark.parametrize(
    "key",
    [
        slice(5, 70),
        slice(None, None, 7),
        3,
        (slice(None, None, 3), slice(None, None, 2)),
        (slice(None), -1),
        (np.array([[4], [9]]), np.arange(3)),
    ],
)
def test_parts_equal_those_of_the_array(key):
    assert np.array_equal(lazy()[1][key], WHOLE[1][key])


def test_planes_behave_as_an_array_of_planes():
    planes = lazy()
    assert planes.shape == WHOLE.shape and planes[1].size == WHOLE[1].size
    assert np.array_equal(planes, WHOLE) and np.array_equal(planes[1:2], WHOLE[1:2])
    assert [row.tolist() for row in planes[2]] == WHOLE[2].tolist()
    assert not flags_of(planes).any()


def test_a_master_of_them_is_divided_once_as_an_array_is():
    master = Master(pixels=lazy(), flags=flags_of(lazy()), planes=("red", "green", "blue"))
    done = scaled(master, 65535.0)
    assert np.asarray(done.pixels).tobytes() == (WHOLE / np.float32(65535.0)).tobytes()
    with pytest.raises(ValueError, match="once"):
        scaled(done, 2.0)
