"""What a blend destroyed, against a slow and obvious count."""

from __future__ import annotations

import numpy as np
import pytest

from blend.base.rowblocks import limit_threads, row_blocks
from blend.science.picture.destroyed import EDGE, BlendLoss, blend_loss


def slowly(base, line, changed, low, high):
    lost = np.isfinite(base) & np.isfinite(line) & ~np.isfinite(changed)
    black = blocks = 0
    for top in range(0, base.shape[0], EDGE):
        for left in range(0, base.shape[1], EDGE):
            part = np.s_[top : top + EDGE, left : left + EDGE]
            known = np.isfinite(changed[part])
            if known.any():
                blocks += 1
                before, after = base[part][known].mean(), changed[part][known].mean()
                black += after <= low < before < high
    known = np.isfinite(changed)
    white = (base[known] < high) & (changed[known] >= high)
    return int(lost.sum()), black / blocks, white.mean()


def test_losses_of_rows_add_up():
    rng = np.random.default_rng(6)
    planes = base, line, changed = [rng.normal(0.3, 0.4, (150, 77)) for _ in range(3)]
    changed[20:60] -= 5.0
    whole = blend_loss(base, line, changed, low=0.0, high=1.0)
    parts = [blend_loss(*(p[rows] for p in planes), low=0.0, high=1.0) for rows in row_blocks(150, height=16)]
    assert sum(parts, BlendLoss()) == whole and whole.black > 0


def test_of_what_stays_nothing_is_lost():
    base = np.full((20, 77), 0.3)
    assert BlendLoss.none(20, 77) == blend_loss(base, base, base, low=0.0, high=1.0)


@pytest.mark.parametrize("threads", [1, 2])
def test_counts_are_those_of_a_slow_count(threads):
    rng = np.random.default_rng(4)
    base, line, changed = (rng.normal(0.3, 0.4, (150, 77)) for _ in range(3))
    base[5:20, 9], line[100:140, 60:], changed[0, 0], changed[70:80, 3] = np.nan, np.nan, np.inf, np.nan
    changed[100:140, 60:] = np.nan
    changed[20:60, 20:60] += 5.0
    changed[80:100, 30:60] -= 5.0
    changed[5:20, 9] = np.nan
    with limit_threads(threads):
        loss = blend_loss(base, line, changed, low=0.0, high=1.0)
    assert (loss.lost, loss.black_share, loss.white_share) == pytest.approx(
        slowly(base, line, changed, 0.0, 1.0)
    )


def test_noise_about_black_is_no_loss():
    rng = np.random.default_rng(5)
    base = rng.normal(0.02, 0.004, (400, 400)).astype(np.float32)
    line = rng.normal(0.0, 0.025, base.shape).astype(np.float32)
    loss = blend_loss(base, line, base + line, low=0.0, high=1.0)
    # A fifth of the pixels are below 0, the means over 8 x 8 of 0.02 +- 0.003 are not.
    assert ((base + line) < 0).mean() > 0.2
    assert loss.black_share < 0.001


def test_a_plane_without_data_has_nothing_to_lose():
    empty = np.full((20, 20), np.nan, dtype=np.float32)
    loss = blend_loss(empty, empty, empty, low=0.0, high=1.0)
    assert (loss.lost, loss.black_share, loss.white_share) == (0, 0.0, 0.0)
