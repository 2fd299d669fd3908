"""What holds for every stretch curve of the table; a new entry is covered by being there."""

import json
import shutil
import subprocess

import numpy as np
import pytest

from blend.base.equation import javascript_prelude
from blend.base.rowblocks import limit_threads
from blend.science.picture.curves import CURVES
from blend.science.picture.stretch import solve_stretch, stretch_line, stretch_planes

every_curve = pytest.mark.parametrize("curve", list(CURVES.values()), ids=lambda curve: curve.name)
CASES = [(1e-6, 1.0, 0.1), (1e-4, 0.9, 0.15), (2e-3, 1.0, 0.1), (3.0, 40_000.0, 0.12), (0.003, 1.0, 0.5)]


def _solve(curve, sigma=2e-3, white=1.0, level=0.1, **options):
    return solve_stretch(
        curve.name, sky=0.0, sigma=sigma, white=white, sky_level=level, **{"most_sky_noise": 9.0, **options}
    )


@every_curve
def test_an_entry_explains_itself_and_its_example_holds(curve):
    assert curve.about
    assert curve.source
    x, parameter, y = curve.example
    # The parameter's printed digits.
    assert float(curve.value(x, parameter)) == pytest.approx(y, abs=2e-7)


@every_curve
@pytest.mark.parametrize(("sigma", "white", "level"), CASES)
def test_the_sky_lands_where_it_was_asked(curve, sigma, white, level):
    solved = _solve(curve, sigma, white, level)
    m = 3 * sigma / (white + 3 * sigma)
    assert solved.black == pytest.approx(-3 * sigma)
    assert solved.sky_position == pytest.approx(m, rel=1e-12)
    assert solved.wanted_level == level
    assert solved.sky_level == (pytest.approx(m) if curve.name == "linear" else level)
    # The root's tolerance is 1e-13 of the parameter's logarithm.
    assert float(curve.value(m, solved.parameter)) == pytest.approx(solved.sky_level, rel=1e-10)


@every_curve
@pytest.mark.parametrize(("sigma", "white", "level"), CASES)
def test_black_is_nought_white_is_one_and_order_is_kept(curve, sigma, white, level):
    solved = _solve(curve, sigma, white, level)
    x = np.concatenate([[0.0], np.geomspace(1e-9, 1, 3000)])
    y = curve.value(x, solved.parameter)
    assert y[0] == 0.0
    assert y[-1] == pytest.approx(1.0, abs=1e-12)
    assert np.all(np.diff(y) > 0)


@every_curve
@pytest.mark.parametrize(("sigma", "white", "level"), CASES)
def test_slope_and_noise_at_the_sky_are_the_curves_own(curve, sigma, white, level):
    solved = _solve(curve, sigma, white, level)
    step = 1e-3 * sigma
    reach = solved.white - solved.black
    ends = curve.value((np.array([-step, step]) - solved.black) / reach, solved.parameter)
    # The secant over a thousandth of sigma is the slope to the square of that, times the curvature.
    assert solved.sky_slope == pytest.approx((ends[1] - ends[0]) / (2 * step), rel=1e-5)
    assert solved.sky_noise == pytest.approx(solved.sky_slope * sigma)


@every_curve
def test_noise_above_the_limit_lowers_the_level_to_the_limit(curve):
    if not curve.parameter:
        assert not _solve(curve, most_sky_noise=1e-9).lowered
        return
    free = _solve(curve, level=0.3)
    held = _solve(curve, level=0.3, most_sky_noise=0.6 * free.sky_noise)
    assert held.lowered
    assert held.sky_level < 0.3
    assert held.wanted_level == 0.3
    assert held.sky_noise == pytest.approx(0.6 * free.sky_noise, rel=1e-6)
    assert not free.lowered


@every_curve
@pytest.mark.parametrize("colour", ["preserve", "planes"])
def test_pictures_are_stretched_by_the_law(curve, colour):
    rng = np.random.default_rng(1)
    grey = rng.uniform(-0.01, 1.1, (130, 37)).astype(np.float32)
    pixels = np.stack([grey] * 3)
    pixels.flags.writeable = False
    solved = _solve(curve)
    result = stretch_planes(pixels, solved, colour=colour)
    x = np.clip((grey.astype(np.float64) - solved.black) / (solved.white - solved.black), 0, 1)
    expected = curve.value(x, solved.parameter)
    assert result.dtype == np.float32
    assert result.min() >= 0
    assert result.max() <= 1
    # float32 through curve, decode, encode. Below a tenth of the sky `preserve` holds its gain.
    plain = x > 0.1 * solved.sky_position
    assert np.abs(result - expected)[:, plain].max() < 5e-6
    for threads in (1, 3):
        with limit_threads(threads):
            assert np.array_equal(stretch_planes(pixels, solved, colour=colour), result)
    part = stretch_planes(pixels[:, 17:19], solved, colour=colour)
    assert np.array_equal(part, result[:, 17:19])


@every_curve
@pytest.mark.parametrize("colour", ["preserve", "planes"])
def test_a_missing_pixel_stays_missing_and_alone(curve, colour):
    pixels = np.random.default_rng(2).uniform(0, 0.5, (3, 70, 30)).astype(np.float32)
    solved = _solve(curve)
    whole = stretch_planes(pixels, solved, colour=colour)
    pixels[1, 5, 6] = np.nan
    result = stretch_planes(pixels, solved, colour=colour)
    missing = np.isnan(result)
    assert missing[1, 5, 6]
    assert missing.any(axis=0).sum() == 1
    assert np.array_equal(result[~missing], whole[~missing])
    assert np.isnan(stretch_line(pixels[1], solved, neutral=0.0)).sum() == 1


@every_curve
@pytest.mark.parametrize("neutral", [0.0, 0.1, 0.5])
def test_a_lines_sky_sits_at_neutral(curve, neutral):
    solved = _solve(curve)
    line = np.zeros((2, 3), dtype=np.float32)
    line.flags.writeable = False
    # float32 near black: x carries 6e-8 of white, times the slope of up to 30.
    assert np.abs(stretch_line(line, solved, neutral=neutral) - neutral).max() < 2e-6


@every_curve
def test_a_stretched_line_keeps_its_noise_on_both_sides(curve):
    solved = _solve(curve)
    line = np.linspace(-0.05, 1.2, 5000, dtype=np.float32).reshape(50, 100)
    result = stretch_line(line, solved, neutral=0.5)
    assert np.all(np.diff(result.ravel()) >= -1e-7)
    assert result.max() <= 1.0
    far = stretch_line(np.full((1, 1), -0.05, dtype=np.float32), solved, neutral=0.0)[0, 0]
    # Not clipped at black, which lies 3 sigma = 0.006 below the sky.
    assert far < -solved.sky_level
    noise = np.random.default_rng(3).normal(0, 2e-3, (200, 200)).astype(np.float32)
    shown = stretch_line(noise, solved, neutral=0.0)
    # Steeper below than above: the median stays at 0, the mean moves by less than half the noise.
    assert abs(np.median(shown)) < 0.05 * solved.sky_noise
    assert abs(shown.mean(dtype=np.float64)) < 0.5 * solved.sky_noise


@every_curve
def test_javascript_gives_the_same_numbers(curve):
    node = shutil.which("node")
    if node is None:
        pytest.skip("node is not installed")
    solved = _solve(curve)
    x = np.concatenate([[0.0], np.geomspace(1e-6, 1, 100)])
    names = ["x", curve.parameter] if curve.parameter else ["x"]
    parameter = json.dumps(None if np.isnan(solved.parameter) else solved.parameter)
    code = (
        f"{javascript_prelude()}\nconst f = ({', '.join(names)}) => {curve.parsed.javascript()};\n"
        f"console.log(JSON.stringify({json.dumps(x.tolist())}.map((x) => f(x, {parameter}))));"
    )
    done = subprocess.run([node, "-e", code], capture_output=True, text=True, check=True, timeout=60)
    # Both are IEEE doubles; the libraries' functions differ in the last digits.
    assert np.abs(np.array(json.loads(done.stdout)) - curve.value(x, solved.parameter)).max() < 1e-9
