"""Automatic amounts against planes of known noise, and against the best amount that a scan finds."""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Literal

import numpy as np
import pytest
from numpy.typing import NDArray

from blend.base.robust import bin_mean
from blend.science.line.amount import (
    MOST_ADDED,
    Choice,
    LineLight,
    added_amount,
    best_amount,
    faint_places,
    luminance_amount,
    noise_blocks,
    noise_covariance,
    noise_limit,
    noise_ratio,
    signal_to_noise,
)
from blend.science.line.emission import line_factor
from blend.science.picture.formula import apply_formula, evaluate_formula
from blend.science.picture.formulas import FORMULAS

Plane = NDArray[np.float32]
SIDE = 480
SOME = np.zeros((SIDE // 4, SIDE // 4), dtype=np.float32)
SOME[50:53, 50:53] = 1.0


def resampled(plane: NDArray[np.float64], kind: str) -> NDArray[np.float64]:
    """Return noise as it is, moved by half a pixel, or interpolated from every other photosite."""
    from scipy.ndimage import convolve, shift

    if kind == "moved":
        return shift(plane, (0.5, 0.5), order=1, mode="wrap")
    if kind == "demosaiced":
        mosaic = np.zeros_like(plane)
        mosaic[::2, ::2] = plane[::2, ::2]
        return convolve(mosaic, np.outer((0.5, 1, 0.5), (0.5, 1, 0.5)), mode="wrap")
    return plane


def noisy_pair(kind: str, *, line_noise: float, seed: int = 3) -> tuple[Plane, Plane]:
    """Return red and the emission taken out of a line with red's help, both noise alone but for some stars."""
    rng = np.random.default_rng(seed)
    red = resampled(rng.normal(0.0, 1e-3, (SIDE, SIDE)), kind)
    line = resampled(rng.normal(0.0, line_noise * 1e-3, (SIDE, SIDE)), kind)
    emission = (line - 0.07 * red) * line_factor(0.07, width_ratio=0.07)
    return red.astype(np.float32), emission.astype(np.float32)


def true_noise(plane: Plane) -> float:
    """Return the plain standard deviation of means of 4 x 4 pixels: no robust estimate is asked."""
    return float(bin_mean(plane, 4).std())


@pytest.mark.parametrize("kind", ["white", "moved", "demosaiced"])
@pytest.mark.parametrize(("line_noise", "budget"), [(0.6, 1.2), (1.2, 1.2), (0.9, 1.5)])
def test_the_noise_at_the_chosen_amount_is_the_budget(kind: str, line_noise: float, budget: float) -> None:
    red, emission = noisy_pair(kind, line_noise=line_noise)
    choice = added_amount(noise_blocks(red), noise_blocks(emission), SOME, noise_budget=budget)
    assert 0 < choice.amount < MOST_ADDED
    assert choice.amount == choice.limit
    found = true_noise(red + np.float32(choice.amount) * emission) / true_noise(red)
    # 14 400 blocks tell a standard deviation to 0.6 %, the robust one to 1 %; the bar is 5 %.
    assert found == pytest.approx(budget, rel=0.03)
    assert choice.noise == pytest.approx(budget, rel=1e-6)
    assert choice.gain == pytest.approx((1 + choice.amount) / budget, rel=1e-6)


def test_what_the_planes_share_counts() -> None:
    """An emission that holds red with a minus sign may be added more freely than its own noise says."""
    red, emission = noisy_pair("white", line_noise=0.6)
    whole = noise_covariance(noise_blocks(red), noise_blocks(emission))
    assert whole[0, 1] < 0
    alone = noise_limit(np.diag(np.diag(whole)), noise_budget=1.2)
    # The emission's share of red, 0.075, takes 0.15 off the variance at amount 1.
    assert true_noise(red + np.float32(alone) * emission) / true_noise(red) < 1.16


def test_stars_and_missing_pixels_do_not_move_the_amount() -> None:
    red, emission = noisy_pair("white", line_noise=0.8)
    bare = added_amount(noise_blocks(red), noise_blocks(emission), SOME).amount
    rng = np.random.default_rng(8)
    rows, columns = rng.integers(2, SIDE - 2, (2, 300))
    for dy in (-1, 0, 1):
        for dx in (-1, 0, 1):
            red[rows + dy, columns + dx] += 0.3
    red[:9, :40] = np.nan
    # 300 stars touch a fifth of all second differences; those that stay below 3 sigma move the noise by 2 %.
    assert added_amount(noise_blocks(red), noise_blocks(emission), SOME).amount == pytest.approx(
        bare, rel=0.05
    )


def test_the_covariance_is_the_plain_one() -> None:
    rng = np.random.default_rng(4)
    a, b = rng.normal(0.0, (2e-3, 5.0), (SIDE * SIDE, 2)).T.reshape(2, SIDE, SIDE)
    b += 900.0 * a
    found, plain = noise_covariance(a, b), np.cov(a.ravel(), b.ravel())
    # Second differences of 230 000 pixels by the median: 0.5 % each.
    assert found == pytest.approx(plain, rel=0.03)


def test_where_a_line_leaves_no_dark_place_the_darkest_tell_the_noise() -> None:
    rng = np.random.default_rng(5)
    light = np.linspace(1.0, 9.0, 300)[:, None] * np.ones((300, 300))
    light[0, :40] = 0.0
    # As a stretch makes it: noise of 2 in the dark, of 1 in bright nebula.
    noise = np.where(light < 1.6, 2.0, 1.0)
    a, b = rng.normal(size=(2, 300, 300)) * noise
    found = noise_covariance(a, b, light=light)
    # The darkest 1000 differences tell a variance to 8 %.
    assert np.diag(found) == pytest.approx([4.0, 4.0], rel=0.2)
    light[:60] = 0.0
    assert (np.diag(noise_covariance(a, b, light=light)) < 3.0).all(), (
        "all that is dark counts, where that is enough"
    )


@pytest.mark.parametrize("kind", ["moved", "demosaiced"])
def test_noise_that_neighbours_share_is_whole(kind: str) -> None:
    red, emission = (noise_blocks(plane) for plane in noisy_pair(kind, line_noise=0.6))
    plain = np.cov(red.ravel(), emission.ravel())
    # 14 400 blocks tell a variance to 1.2 %, second differences of them to 2 %.
    assert np.diag(noise_covariance(red, emission)) == pytest.approx(np.diag(plain), rel=0.06)


@pytest.mark.parametrize("shared", [-0.6, 0.0, 0.5])
@pytest.mark.parametrize("budget", [1.0, 1.2, 3.0])
def test_the_limit_solves_its_equation(shared: float, budget: float) -> None:
    covariance = np.array([[2.0, shared], [shared, 0.7]])
    limit = noise_limit(covariance, noise_budget=budget)
    assert noise_ratio(covariance, limit) == pytest.approx(budget, rel=1e-12)
    if budget == 1.0:
        assert limit == pytest.approx(max(0.0, -2 * shared / 0.7))
    else:
        assert noise_ratio(covariance, 1.01 * limit) > budget


def test_reasons_name_what_bound() -> None:
    red, emission = noisy_pair("white", line_noise=0.05)
    free = added_amount(noise_blocks(red), noise_blocks(emission), SOME)
    assert free.amount == free.most == 1.5
    assert free.limit > 1.5
    assert "1.5 is never passed; the noise budget of 1.2 at 4 px would allow up to" in free.reason
    bound = added_amount(*(noise_blocks(p) for p in noisy_pair("white", line_noise=1.0)), SOME)
    assert "more would pass the noise budget of 1.2" in bound.reason
    none = added_amount(noise_blocks(red), noise_blocks(emission), 0 * SOME)
    assert (none.amount, none.noise, none.gain) == (0.0, 1.0, 1.0)
    clean = added_amount(noise_blocks(red), 0 * SOME, SOME)
    assert clean.amount == 1.5
    assert np.isinf(clean.limit)
    with pytest.raises(ValueError, match="no noise to be had from 3 x 3 blocks"):
        added_amount(*(noise_blocks(p[:12, :12]) for p in (red, emission, red)))


def test_the_optimum_is_that_of_inverse_variances() -> None:
    """Without shared noise the weights go as signal over variance, and signal-to-noise adds in squares."""
    signal, covariance = np.array([3.0, 2.0]), np.diag([4.0, 1.0])
    amount = best_amount(signal, covariance, most=10.0)
    assert amount == pytest.approx((2.0 / 1.0) / (3.0 / 4.0))
    assert signal_to_noise(signal, covariance, amount) == pytest.approx(np.hypot(3.0 / 2.0, 2.0))


@pytest.mark.parametrize("seed", range(40))
def test_no_amount_of_a_scan_beats_the_optimum(seed: int) -> None:
    rng = np.random.default_rng(seed)
    root = rng.normal(size=(2, 2))
    signal, covariance = rng.normal(size=2), root @ root.T
    best = signal_to_noise(signal, covariance, best_amount(signal, covariance, most=1.0))
    scan = [signal_to_noise(signal, covariance, amount) for amount in np.linspace(0.0, 1.0, 501)]
    assert best >= max(scan) - 1e-9


class Scene:
    """A nebula, faint but for some knots, as a luminance and as a line show it; both with noise they share."""

    def __init__(self, kind: str, *, sky: float, unit: float) -> None:
        rng = np.random.default_rng(11)
        y, x = np.mgrid[:SIDE, :SIDE].astype(np.float64)
        self.faint = np.where(np.hypot(x - 200, y - 240) < 110, 1.0, 0.0)
        self.knots = np.zeros_like(self.faint)
        for cx, cy in rng.uniform((130, 170), (270, 310), (30, 2)):
            self.knots += 12.0 * np.exp(-0.5 * ((x - cx) ** 2 + (y - cy) ** 2) / 2.5**2)
        knots, faint = bin_mean(self.knots, 4), bin_mean(self.faint, 4)
        dim = (faint > 0.99) & (knots < 0.05)
        self.places = {"bright": (knots > 6.0, dim), "faint": (dim, faint == 0)}
        self.light = unit * (self.faint + self.knots)
        noise = resampled(rng.normal(0.0, 2.0 * unit, (SIDE, SIDE)), kind)
        own = resampled(rng.normal(0.0, 1.5 * unit, (SIDE, SIDE)), kind)
        self.base = (sky + 0.5 * self.light + noise).astype(np.float32)
        self.line = (self.light + own - 0.2 * noise).astype(np.float32)

    def choose(
        self,
        name: str,
        signal: Literal["faint", "bright"],
        *,
        sky: float,
        shift: float = 0.0,
        most: float = 1.0,
        more: Any = 0.0,
    ) -> Choice:
        """Return the choice for a formula; ``more`` is light without a line that brightens the base."""
        formula = FORMULAS[name]
        base = noise_blocks(self.base + np.float32(more))
        own = noise_blocks(0.5 * self.light)
        line, light = noise_blocks(self.line + np.float32(shift)), noise_blocks(self.light)
        change = evaluate_formula(formula, base, line, sky=sky) - base
        dark = evaluate_formula(formula, base - own, line - light, sky=sky) - (base - own)
        parts = LineLight(whole=noise_blocks(self.line), faded=light, in_base=own, in_change=change - dark)
        return luminance_amount(base, change, parts, signal=signal, most=most)

    def seen(self, plane: Plane, signal: str) -> float:
        """Return the true signal-to-noise of a blended plane: plain means over known places, plain noise of sky."""
        blocks = bin_mean(plane, 4)
        on, off = self.places[signal]
        return float((blocks[on].mean() - blocks[off].mean()) / blocks[:, 80:].std())


@pytest.mark.parametrize("signal", ["faint", "bright"])
@pytest.mark.parametrize(
    ("name", "kind"),
    [
        ("mean", "white"),
        ("mean", "demosaiced"),
        ("screen", "moved"),
        ("emission-add", "moved"),
        ("emission-add", "demosaiced"),
    ],
)
def test_the_chosen_amount_shows_the_signal_as_well_as_the_best_of_a_scan(
    name: str, kind: str, signal: Literal["faint", "bright"]
) -> None:
    sky = 0.0 if name == "emission-add" else 0.1
    scene = Scene(kind, sky=sky, unit=0.004)
    formula = FORMULAS[name]
    shift = sky if name == "mean" else 0.0
    line = scene.line + np.float32(shift)
    most = 1.5 if name == "emission-add" else 1.0
    choice = scene.choose(name, signal, sky=sky, shift=shift, most=most)
    scan = [
        scene.seen(apply_formula(formula, scene.base, line, amount=amount, sky=sky), signal)
        for amount in np.linspace(0.0, most, 16)
    ]
    blended = apply_formula(formula, scene.base, line, amount=choice.amount, sky=sky)
    reached = scene.seen(blended, signal)
    assert reached >= 0.98 * max(scan)
    assert max(scan) > 1.05 * scan[0]
    # 14 400 blocks, a few dozen of them knots.
    assert choice.gain == pytest.approx(reached / scan[0], rel=0.1)


def test_starlight_and_dust_do_not_pass_for_the_signal() -> None:
    """A galaxy that is bright, or dark, where the emission is leaves the amount as it was."""
    scene = Scene("white", sky=0.1, unit=0.004)
    plain = scene.choose("emission-add", "faint", sky=0.1)
    for starlight in (0.02, -0.02):
        assert scene.choose("emission-add", "faint", sky=0.1, more=starlight * scene.faint).amount == (
            pytest.approx(plain.amount, rel=1e-3)
        )


def parts(scene: Scene, **changes: NDArray[np.floating]) -> LineLight:
    light = noise_blocks(scene.light)
    own = {"whole": noise_blocks(scene.line), "faded": light, "in_base": 0.5 * light, "in_change": light}
    return LineLight(**{**own, **changes})


def test_a_line_without_light_goes_into_no_luminance() -> None:
    scene = Scene("white", sky=0.1, unit=0.004)
    base, change = noise_blocks(scene.base), noise_blocks(scene.line)
    nothing = luminance_amount(base, change, parts(scene, faded=np.zeros_like(base)))
    assert nothing.amount == 0.0
    assert "no emission is significant" in nothing.reason
    light = parts(scene)
    worse = luminance_amount(base, -change, replace(light, in_change=-light.in_change))
    assert worse.amount == 0.0
    assert "would make the signal-to-noise of faint emission worse" in worse.reason


def test_a_luminance_without_the_line_has_no_gain_to_tell() -> None:
    scene = Scene("white", sky=0.1, unit=0.004)
    base, change = noise_blocks(scene.base), noise_blocks(scene.line)
    choice = luminance_amount(base, change, parts(scene, in_base=np.zeros_like(base)))
    assert np.isinf(choice.gain)
    assert choice.reason.endswith("the luminance alone shows nothing of it")


def test_where_no_faint_light_is_sure_the_knots_stand_in_and_it_is_said() -> None:
    scene = Scene("white", sky=0.1, unit=0.004)
    base, change = noise_blocks(scene.base), noise_blocks(scene.line)
    compact = np.zeros_like(base)
    compact[50:52, 50:52] = 9.0
    light = parts(scene, whole=np.where(compact > 0, compact, noise_blocks(scene.line)), faded=compact)
    faint = luminance_amount(base, change, light, signal="faint")
    knots = luminance_amount(base, change, light, signal="bright")
    assert faint.amount == knots.amount
    assert "as no faint emission passes 3 sigma in means over 16 px" in faint.reason
    assert "faint" not in knots.reason


def test_faint_places_are_the_fainter_half_of_what_is_sure() -> None:
    rng = np.random.default_rng(2)
    wide = np.concatenate([rng.normal(0.0, 1.0, 4000), np.linspace(6.0, 30.0, 101)])[None]
    on = faint_places(wide, 1.0)
    assert on is not None
    # Of 4000 noise values 5 pass 3 sigma; they shift the median of 101 by a few.
    assert wide[on].min() > 3.0
    assert wide[on].max() == pytest.approx(18.0, abs=1.5)
    assert faint_places(np.zeros((5, 5)), 1.0) is None


def test_a_nebula_that_fills_the_frame_needs_no_dark_part() -> None:
    """Light everywhere is told by its own amount: the answer is that of the same light with a sky beside it."""
    scene = Scene("white", sky=0.1, unit=0.004)
    y = np.linspace(0.0, 0.02, SIDE)[:, None]
    base = (scene.base + 0.5 * y).astype(np.float32)
    line = (scene.line + y).astype(np.float32)
    light = noise_blocks(scene.light + y + 0.001)
    everywhere = LineLight(whole=noise_blocks(line), faded=light, in_base=0.5 * light, in_change=light)
    choice = luminance_amount(noise_blocks(base), noise_blocks(line), everywhere, most=1.5)
    # emission-add of an even pair of weights: own light over noise decides, wherever it is
    assert 0.5 < choice.amount <= 1.5
    half = luminance_amount(noise_blocks(scene.base), noise_blocks(scene.line), parts(scene), most=1.5)
    assert choice.amount == pytest.approx(half.amount, rel=0.03)
