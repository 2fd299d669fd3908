"""The stated error of the emission: what sums over it scatter by where there is no line."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.signal import fftconvolve
from scipy.spatial import cKDTree

from blend.app.demo.demo import write_night
from blend.app.run import load_sources, open_recipe, open_target
from blend.recipe.pipeline import STEPS, run_all
from blend.recipe.state import Work
from blend.science.simulated import SceneOptions, simulate_night


@pytest.mark.parametrize("seed", [41, 42])
def test_sums_over_a_stars_circle_scatter_by_what_is_stated(seed: int, tmp_path: Path) -> None:
    """Circles of 1.5 star widths less rings to twice that, as photometry takes them, in fields of stars without a line.

    Noise of each master by itself, lifted by faint stars and not blurred by interpolation as the line's is, would be
    stated: 10 % too much. Some 400 circles are independent, which tells the scatter to 3.5 %.
    """
    options = SceneOptions(
        rows=400, columns=600, seed=seed, kind="cluster", ha_is_continuum_only=True, calibrated=True
    )
    target = open_target(write_night(simulate_night(options), tmp_path))
    sources = load_sources(target).sources
    work = Work(recipe=open_recipe("galaxy-moonlit", target=target), target=target, sources=sources)
    work = run_all(work, steps=STEPS[:4])
    layers, radius = work.lines["ha"].measured, 1.5 * max(work.fwhm_px.values())
    assert layers is not None and layers.sigma is not None and work.stars is not None
    y, x = np.mgrid[-24:25, -24:25]
    circle, both = (np.hypot(x, y) <= r for r in (radius, 2.0 * radius))
    area, ring = int(circle.sum()), int(both.sum() - circle.sum())
    filled = np.nan_to_num(layers.light).astype(np.float64)
    sums = fftconvolve(filled, circle - (both & ~circle) * (area / ring), mode="same")
    variance = fftconvolve(np.nan_to_num(layers.sigma).astype(np.float64) ** 2, circle, mode="same")
    free = np.isfinite(layers.light + layers.sigma)
    places = np.indices(free.shape)[::-1].reshape(2, -1).T
    apart, _ = cKDTree(work.stars.xy).query(places)
    free &= apart.reshape(free.shape) > 2.0 * radius + 4.0
    free[:30] = free[-30:] = free[:, :30] = free[:, -30:] = False
    free &= layers.weight == 0.0
    pulls = (sums / np.sqrt(variance * (1.0 + area / ring)))[free]
    assert np.std(pulls) == pytest.approx(1.0, abs=0.06)
