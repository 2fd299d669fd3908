"""Sums over square blocks: against a slow obvious version, on any number of threads."""

from __future__ import annotations

import numpy as np
import pytest

from blend.base.blocksums import block_means, block_sums
from blend.base.rowblocks import limit_threads


def slow(plane, size, invalid):
    good = np.isfinite(plane) if invalid is None else np.isfinite(plane) & ~invalid
    shape = tuple(-(-length // size) for length in plane.shape)
    sums, counts = np.zeros(shape), np.zeros(shape, dtype=int)
    for (y, x), value in np.ndenumerate(plane):
        if good[y, x]:
            sums[y // size, x // size] += float(value)
            counts[y // size, x // size] += 1
    return sums, counts, plane[good].min(), plane[good].max()


@pytest.mark.parametrize("size", [1, 3, 4, 29])
@pytest.mark.parametrize("kind", [np.float32, np.float64])
@pytest.mark.parametrize("masked", [False, True])
def test_sums_are_those_of_a_slow_version_on_any_threads(size, kind, masked):
    rng = np.random.default_rng(size)
    # no multiple of 4 or 64
    plane = rng.normal(0.3, 0.1, (131, 70)).astype(kind)
    plane[3:9, 5:30], plane[100, 60] = np.nan, np.inf
    invalid = rng.random(plane.shape) < 0.4 if masked else None
    wanted = slow(plane, size, invalid)
    seen = set()
    for threads in (1, 2, 4):
        with limit_threads(threads):
            sums, counts = block_sums(plane, size, invalid=invalid)
        # sums of at most 841 numbers below 1: rounding in float64
        np.testing.assert_allclose(sums, wanted[0], rtol=0, atol=1e-12)
        assert np.array_equal(counts, wanted[1])
        seen.add(sums.tobytes())
    assert len(seen) == 1


def test_a_mean_asks_for_its_share_of_a_narrow_block():
    plane = np.array([[1.0, np.nan, 5.0], [np.nan, np.nan, np.nan]])
    assert np.array_equal(block_means(plane, 2, least=0.5), [[np.nan, 5.0]], equal_nan=True)
    assert np.array_equal(block_means(plane, 2, least=0.0), [[1.0, 5.0]], equal_nan=True)
