"""Combining frames: against a slow plain version, against general-purpose libraries, and against theory."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from blend.base.robust import converged_clip_factor
from blend.base.rowblocks import limit_threads
from blend.science.sensor.dither import judge_drift
from blend.science.sensor.stack import (
    Rule,
    combine,
    effective_frames,
    flux_ratio,
    mean_noise,
    sorting_network,
)

MAD = 1.482602218505602


def slow_value(values: np.ndarray, weights: np.ndarray, rule: Rule) -> tuple[float, int]:
    """Return the combined value of one pixel and how many values were used, written out plainly."""
    good = np.isfinite(values)
    v, w = values[good].astype(np.float64), weights[good].astype(np.float64)
    if v.size == 0:
        return float("nan"), 0
    if rule.method == "mean":
        return float((w * v).sum() / w.sum()), v.size
    if rule.method == "median":
        return float(np.median(v)), v.size
    if rule.method == "winsorised":
        cut = min(int(rule.share * v.size), (v.size - 1) // 2)
        ranked = np.sort(v)
        low, high = ranked[cut], ranked[v.size - cut - 1]
        inside = (v >= low) & (v <= high)
        return float((w * np.clip(v, low, high)).sum() / w.sum()), int(inside.sum())
    used = np.ones(v.size, dtype=bool)
    for turn in range(rule.rounds):
        if used.sum() < 3:
            break
        middle = np.median(v[used])
        n, robust = used.sum(), rule.spread == "robust"
        sigma = MAD * np.median(np.abs(v[used] - middle)) * n / (n - 0.8) if robust and turn == 0 else 0.0
        if sigma == 0.0:
            sigma = v[used].std()
            if robust and turn > 0:
                sigma *= np.sqrt(n / (n - 1.0)) / converged_clip_factor(rule.kappa_low)
        sigma = max(sigma, rule.least_sigma)
        new = (v >= middle - rule.kappa_low * sigma) & (v <= middle + rule.kappa_high * sigma)
        if not robust:
            new &= used
        if (new == used).all():
            break
        used = new
    return float((w[used] * v[used]).sum() / w[used].sum()), int(used.sum())


@pytest.mark.parametrize("weighted", [True, False])
@pytest.mark.parametrize("frames", [1, 2, 3, 4, 7, 20, 33])
@pytest.mark.parametrize(
    "rule",
    [
        Rule(method="mean"),
        Rule(method="median"),
        Rule(method="clip"),
        Rule(method="clip", spread="std", kappa_low=2.5, kappa_high=2.0),
        Rule(method="winsorised", share=0.15),
    ],
    ids=lambda rule: f"{rule.method}-{rule.spread}",
)
def test_against_the_slow_obvious_version(frames: int, rule: Rule, weighted: bool) -> None:
    # the fourth row is whole: nothing is missing from it
    rng = np.random.default_rng(frames)
    tile = (100.0 + 5.0 * rng.standard_t(2, (frames, 4, 70))).astype(np.float32)
    tile[:, :3][rng.random((frames, 3, 70)) < 0.05] = np.nan
    tile[0, 1, 5] = np.inf
    tile[:, 2, 2] = np.nan
    tile[-1, 3, 3] = 1e30
    weights = rng.uniform(0.5, 2.0, frames) if weighted else np.ones(frames)
    done = combine(tile, rule, weights=weights)
    w = weights.astype(np.float32)
    for y, x in np.ndindex(4, 70):
        value, kept = slow_value(tile[:, y, x], w, rule)
        assert done.kept[y, x] == kept
        assert done.kept[y, x] + done.rejected[y, x] == np.isfinite(tile[:, y, x]).sum()
        # the result is float32, of 100: 4e-6 of rounding
        np.testing.assert_allclose(done.values[y, x], value, rtol=1e-6, atol=4e-6)


@settings(max_examples=60, deadline=None)
@given(st.lists(st.integers(-5, 5), min_size=3, max_size=12))
def test_values_that_tie(values: list[int]) -> None:
    tile = np.array(values, dtype=np.float32)[:, None, None]
    for spread in ("robust", "std"):
        rule = Rule(spread=spread)  # type: ignore[arg-type]
        done = combine(tile, rule)
        value, kept = slow_value(tile[:, 0, 0], np.ones(len(values)), rule)
        assert (done.kept[0, 0], done.values[0, 0]) == (kept, pytest.approx(value, abs=1e-5))


def test_against_astropy() -> None:
    from astropy.stats import sigma_clip

    rng = np.random.default_rng(5)
    tile = rng.normal(100.0, 5.0, (20, 30, 40)).astype(np.float32)
    tile[3, :, 7] += 400.0
    done = combine(tile, Rule(method="clip", spread="std"))
    theirs = sigma_clip(tile, sigma=3.0, maxiters=5, axis=0, masked=True)
    np.testing.assert_array_equal(done.rejected, np.ma.getmaskarray(theirs).sum(axis=0))
    np.testing.assert_allclose(done.values, np.ma.mean(theirs.astype(np.float64), axis=0), rtol=1e-6)


def test_against_scipy_winsorize() -> None:
    from scipy.stats.mstats import winsorize

    tile = np.random.default_rng(6).normal(size=(20, 6, 9)).astype(np.float32)
    done = combine(tile, Rule(method="winsorised", share=0.1))
    theirs = np.asarray(winsorize(tile.astype(np.float64), limits=(0.1, 0.1), axis=0)).mean(axis=0)
    np.testing.assert_allclose(done.values, theirs, atol=1e-6)


@pytest.mark.parametrize("count", range(1, 41))
def test_the_network_sorts(count: int) -> None:
    # a network that sorts every list of noughts and ones sorts anything (Knuth, The Art of Computer Programming 3);
    # random ones stand for all
    rng = np.random.default_rng(count)
    values = (rng.random((count, 300)) < rng.random(300)).astype(int)
    for i, j in sorting_network(count):
        low, high = np.minimum(values[i], values[j]), np.maximum(values[i], values[j])
        values[i], values[j] = low, high
    assert (np.diff(values, axis=0) >= 0).all()


@pytest.mark.parametrize(("method", "bar"), [("mean", 0.03), ("clip", 0.05)])
def test_noise_falls_as_theory_says(method: str, bar: float) -> None:
    tile = np.random.default_rng(7).normal(0.0, 4.0, (20, 100, 100)).astype(np.float32)
    done = combine(tile, Rule(method=method))  # type: ignore[arg-type]
    # 10 000 pixels: the standard deviation is good to 0.7 %
    assert done.values.std() == pytest.approx(4.0 / np.sqrt(20.0), rel=bar)


def test_weights_by_inverse_variance_give_the_noise_they_promise() -> None:
    rng = np.random.default_rng(8)
    sigmas = np.array([1.0, 1.0, 2.0, 4.0, 1.5])
    tile = (sigmas[:, None, None] * rng.standard_normal((5, 120, 120))).astype(np.float32)
    weights = sigmas**-2
    done = combine(tile, Rule(method="mean"), weights=weights)
    assert done.values.std() == pytest.approx(mean_noise(sigmas, weights), rel=0.03)
    assert effective_frames(np.ones(7)) == pytest.approx(7.0)


@pytest.mark.parametrize("kappa", [1.0, 1.5, 1.75])
def test_clipping_tighter_than_converges_keeps_values(kappa: float) -> None:
    """Below sqrt 3 sigma a spread clipped over and over goes to 0, and cannot be divided by."""
    tile = np.random.default_rng(8).normal(0.0, 1.0, (20, 6, 40)).astype(np.float32)
    done = combine(tile, Rule(kappa_low=kappa, kappa_high=kappa))
    assert np.isfinite(done.values).all() and (done.kept >= 3).all()
    assert done.rejected.mean() > 0.0


def test_satellites_and_cosmic_rays_are_gone() -> None:
    rng = np.random.default_rng(9)
    sigma = 4.0
    tile = rng.normal(100.0, sigma, (20, 80, 90)).astype(np.float32)
    clean = combine(tile, Rule(method="mean")).values
    marks = np.zeros(tile.shape, dtype=bool)
    for frame in (2, 9, 10):
        y = np.arange(80)
        marks[frame, y, 5 + (y * (frame - 5)) % 80] = True
    marks |= rng.random(tile.shape) < 0.002
    tile[marks] += rng.uniform(60.0, 4000.0, int(marks.sum())).astype(np.float32)
    done = combine(tile, Rule())
    hit = marks.any(axis=0)
    residual = done.values[hit] - clean[hit]
    # of one frame; a mean of 20 would keep 10 sigma of a faint trail
    assert np.abs(residual).mean() < 0.3 * sigma
    assert np.abs(residual.mean()) < 0.05 * sigma
    assert (done.rejected[hit] >= marks.sum(axis=0)[hit]).all()
    assert done.rejected_by_frame[9] >= 80


def test_three_frames_of_twenty_with_one_satellite() -> None:
    tile = np.random.default_rng(10).normal(0.0, 1.0, (20, 1, 50)).astype(np.float32)
    tile[:3] += 30.0
    assert np.abs(combine(tile, Rule()).values).max() < 1.5
    assert combine(tile, Rule(spread="std")).values.mean() > 3.0


def test_scales_and_offsets_come_first() -> None:
    tile = np.random.default_rng(11).normal(10.0, 1.0, (9, 4, 5)).astype(np.float32)
    scales, offsets = np.linspace(0.5, 2.0, 9), np.linspace(-3.0, 3.0, 9)
    by_hand = tile * scales[:, None, None].astype(np.float32) + offsets[:, None, None].astype(np.float32)
    one = combine(tile, Rule(), scales=scales, offsets=offsets)
    np.testing.assert_allclose(one.values, combine(by_hand, Rule()).values, rtol=1e-6)


def test_the_floor_of_sigma_saves_whole_numbers() -> None:
    tile = np.full((12, 1, 1), 7.0, dtype=np.float32)
    tile[:4] = 8.0
    done = combine(tile, Rule(least_sigma=0.5))
    assert done.rejected[0, 0] == 0


def test_inputs_stay_and_threads_do_not_matter() -> None:
    tile = np.random.default_rng(12).normal(size=(15, 40, 70)).astype(np.float32)
    tile.setflags(write=False)
    results = []
    for threads in (1, 2):
        with limit_threads(threads):
            results.append(combine(tile, Rule()))
    np.testing.assert_array_equal(results[0].values, results[1].values)
    np.testing.assert_array_equal(results[0].rejected_by_frame, results[1].rejected_by_frame)
    by_parts = np.concatenate([combine(tile[:, a:b], Rule()).values for a, b in ((0, 7), (7, 40))])
    np.testing.assert_array_equal(results[0].values, by_parts)


def test_what_does_not_fit_is_refused() -> None:
    with pytest.raises(ValueError, match="does not hold"):
        combine(np.zeros((0, 3, 3), np.float32), Rule())
    with pytest.raises(ValueError, match="finite number"):
        combine(np.zeros((3, 3, 3), np.float32), Rule(), weights=np.ones(2))


def test_flux_ratio_with_an_outlier() -> None:
    rng = np.random.default_rng(13)
    theirs = np.exp(rng.uniform(0.0, 5.0, 60))
    error = np.full(60, 0.1)
    mine = 0.7 * theirs + 0.1 * rng.standard_normal(60)
    mine[4] *= 3.0  # a variable star, or a satellite
    assert flux_ratio(mine, theirs, error, error) == pytest.approx(0.7, rel=0.01)
    assert flux_ratio(mine[:2], theirs[:2], error[:2], error[:2]) == 1.0
    back = flux_ratio(theirs, mine, error, error)
    assert back == pytest.approx(1.0 / flux_ratio(mine, theirs, error, error), rel=0.005)


def test_drift_is_told_from_dither() -> None:
    rng = np.random.default_rng(14)
    walk = np.outer(np.arange(15), [0.9, -0.4]) + rng.normal(0.0, 0.05, (15, 2))
    drift = judge_drift(walk)
    assert drift.kind == "drifting"
    assert drift.step_px == pytest.approx(np.hypot(0.9, 0.4), rel=0.1)
    assert drift.direction_deg == pytest.approx(np.degrees(np.arctan2(-0.4, 0.9)), abs=2.0)
    assert "dither" in drift.words()
    assert judge_drift(rng.uniform(-6.0, 6.0, (15, 2))).kind == "dithered"
    assert judge_drift(rng.normal(0.0, 0.1, (15, 2))).kind == "still"
    assert judge_drift(walk[:3]).words() == ""
