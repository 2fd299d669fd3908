"""The sky's panels: what is tinted, what a scale means, which way is up, and that they do not change."""

from __future__ import annotations

import base64
import io
from types import SimpleNamespace

import numpy as np
import pytest

from blend.pages.skyfigures import block_grid, hard_stretch, model_panel, residual_panel, sky_figures
from blend.recipe.steps.skywords import SkyView
from blend.science.sky.gradient import fit_sky

SHAPE = (90, 120)
SIGMA = 0.001


def fitted():
    v, u = np.mgrid[-1 : 1 : SHAPE[0] * 1j, -1 : 1 : SHAPE[1] * 1j]
    sky = 0.1 + 0.01 * u - 0.005 * v
    plane = (sky + SIGMA * np.random.default_rng(1).standard_normal(SHAPE)).astype(np.float32)
    masked = np.zeros(SHAPE, dtype=bool)
    masked[:30, :40] = True
    return plane, fit_sky(plane, degree=1, masked=masked)


def drawn(rows):
    plane, fit = fitted()
    view = SkyView(plane, plane - fit.model(), 1, SIGMA)
    master = SimpleNamespace(planes=("ha",), facts=SimpleNamespace(rows=rows))
    seen = {"skies": {"ha": {"ha": fit}}, "sky_views": {"ha": {"ha": view}}}
    return sky_figures(SimpleNamespace(masters={"ha": master}, **seen))


def pixels(url):
    from PIL import Image

    return np.asarray(Image.open(io.BytesIO(base64.b64decode(url.split(",")[1]))))


def test_masked_blocks_are_blue_and_the_rest_grey_from_dark_to_bright():
    _, fit = fitted()
    panel = model_panel(fit, SHAPE)
    assert (panel[2, :24, :32] > panel[0, :24, :32]).all()
    used = panel[:, 60:, 60:]
    np.testing.assert_array_equal(used[0], used[2])
    assert panel[0, -5, -5] < panel[0, 40, -5]


def test_hard_stretch_has_the_sky_in_the_middle():
    panel = hard_stretch(np.array([[0.0, 5 * SIGMA, -6 * SIGMA, np.nan]]), SIGMA)
    np.testing.assert_allclose(panel[0, 0], [0.5, 1.0, 0.0, 0.0])


def test_residuals_are_blue_below_and_red_above():
    panel = residual_panel(np.array([[0.0, 1.0, -1.0, np.nan]]), 1.0, (1, 4))
    none, above, below, unused = panel[:, 0].T
    np.testing.assert_allclose(none, 1.0)
    assert above[0] == 1.0 and above[2] < 0.2
    assert below[2] == 1.0 and below[0] < 0.2
    np.testing.assert_allclose(unused, 0.6)


def test_blocks_that_were_not_used_have_no_residual():
    _, fit = fitted()
    grid = block_grid(fit, np.ones(fit.block_used.size))
    assert grid.shape == fit.block_grid
    assert np.isnan(grid).sum() == (~fit.block_used).sum()


@pytest.mark.parametrize("rows", ["top-down", "bottom-up"])
def test_pictures_are_upright_and_always_the_same(rows):
    (figure,) = drawn(rows)
    assert drawn(rows) == [figure]
    model = pixels(figure.model).astype(int)
    blue = model[..., 2] - model[..., 0]
    top, bottom = blue[:20, :30].mean(), blue[-20:, :30].mean()
    assert (top > bottom) == (rows == "top-down")
    assert "masked (blue)" in figure.text and "sigma of a pixel" in figure.scale
    assert len(figure.model) + len(figure.before) + len(figure.after) + len(figure.residual) < 60_000


def test_nothing_fitted_draws_nothing():
    master = SimpleNamespace(planes=("ha",), facts=SimpleNamespace(rows="top-down"))
    assert sky_figures(SimpleNamespace(masters={"ha": master}, skies={}, sky_views={})) == []
