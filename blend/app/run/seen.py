"""What the eye meets in the delivered picture, as numbers for the record: its sky, and the light of lines in it."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.robust import median, median_and_sigma
from blend.base.shrink import STRIDE_PX, sampled_means, shrink_plane
from blend.recipe.check import width_ratio
from blend.recipe.state import COLOUR, Work
from blend.science.line import line_factor
from blend.science.picture import linear_to_lab, srgb_decode

Floats = NDArray[np.float64]
Planes = NDArray[np.float32]
Squares = NDArray[np.bool_]
Box = tuple[int, int, int, int]
CELLS = 24
"""Along the long edge: a cell of a 24-megapixel picture holds some 200 samples, one of a small picture 4."""
FEWEST_CELLS, LEAST_SPREAD = 12, 0.3
"""Of cells that a slope is fitted to; and of their places, standard deviation, the frame being 2 wide."""

BRIGHTEST = 90.0
"""Percentile of the area where a line passes from which its light is told: H II regions, not the starlight around."""
ADDED_PX = 4
"""Side of the means that it is told from: about a star's width, with a quarter of a pixel's noise."""


def picture_facts(
    display: Planes, clear: Squares | None, layers: Work, box: Box, *, factor: int = 1
) -> dict[str, Any]:
    """Return the record's section on the delivered picture.

    Parameters
    ----------
    display, clear, box
        As for `seen_sky`.
    layers : Work
        The balanced state, averaged for a preview over blocks of ``factor`` pixels a side.

    Returns
    -------
    dict
        ``sky`` (see `seen_sky`) or None, and ``added``: a line's light as a share of its broad plane's, with its error.
    """
    size = max(1, ADDED_PX // factor)
    added = {name: told for name in layers.lines if (told := _added(layers, name, size)) is not None}
    return {"sky": seen_sky(display, clear, box), "added": added}


def clear_squares(work: Work, box: Box) -> Squares | None:
    """Return which squares of `sampled_means` of a box show sky alone; None where the box is too small."""
    x, y, width, height = box
    part = np.s_[y : y + height, x : x + width]
    if min(width, height) < 4 * STRIDE_PX:
        return None
    clear = sampled_means(work.invalid()[part]) == 0
    for mask in (work.objects, work.star_mask):
        if mask is not None:
            clear &= sampled_means(mask[part]) < 0.05
    return np.asarray(clear)


def seen_sky(display: Planes, clear: Squares | None, box: Box) -> dict[str, Any] | None:
    """Return slope and colour of the delivered picture's sky, or None where too little of it shows sky.

    Parameters
    ----------
    display : (3, rows, columns)
    clear : bool (rows / 16, columns / 16), or None
        From `clear_squares`.
    box : x, y, width, height
        What of the grid is delivered, px.

    Returns
    -------
    dict
        ``gradient`` and its standard ``gradient_error``: the greatest CIELAB difference (CIE 1976) of a plane through
        the sky between two opposite corners; ``chroma`` of the sky with its error; ``levels``, a plane to its display
        value and error; ``cells`` measured.

    Notes
    -----
    Medians of cells of means over 4 x 4 pixels, objects and stars left out: a sixteenth of the pixels is read.
    """
    cells = None if clear is None else _sky_cells(display, clear, box)
    if cells is None:
        return None
    u, v, values = cells
    lab = linear_to_lab(srgb_decode(values))
    terms = np.stack([np.ones(u.size), u, v], axis=1)
    ends = np.array([[0.0, 2.0, 2.0], [0.0, 2.0, -2.0]])
    inverse = np.linalg.inv(terms.T @ terms)
    coefficients = np.stack([_robust_plane(terms, channel) for channel in lab])
    sigmas = np.array([median_and_sigma(c - terms @ k)[1] for c, k in zip(lab, coefficients, strict=True)])
    differences = ends @ coefficients.T
    lengths = np.hypot(np.hypot(differences[:, 0], differences[:, 1]), differences[:, 2])
    worst = int(np.argmax(lengths))
    spread = float(np.sqrt(ends[worst] @ inverse @ ends[worst]))
    share = differences[worst] / max(float(lengths[worst]), 1e-9)
    middle = np.median(lab, axis=1)
    errors = [_median_error(channel) for channel in lab]
    return {
        "gradient": float(lengths[worst]),
        "gradient_error": spread * float(np.sqrt(((share * sigmas) ** 2).sum())),
        "chroma": float(np.hypot(middle[1], middle[2])),
        "chroma_error": float(np.hypot(errors[1], errors[2])),
        "levels": {
            plane: [median(row), _median_error(row)] for plane, row in zip(COLOUR, values, strict=True)
        },
        "cells": int(u.size),
    }


def _sky_cells(display: Planes, clear: Squares, box: Box) -> tuple[Floats, Floats, Floats] | None:
    """Return places from -1 to 1 across the delivered picture and display values (3, n) of cells of sky."""
    x, y, width, height = box
    planes = np.stack([sampled_means(plane[y : y + height, x : x + width]) for plane in display])
    sky = clear & np.isfinite(planes).all(axis=0)
    side = max(2, -(-max(sky.shape) // CELLS))
    found = []
    for top in range(0, sky.shape[0] - side + 1, side):
        for left in range(0, sky.shape[1] - side + 1, side):
            cell = np.s_[top : top + side, left : left + side]
            if 2 * np.count_nonzero(sky[cell]) >= side * side:
                place = (left + 0.5 * side) / sky.shape[1], (top + 0.5 * side) / sky.shape[0]
                found.append((*place, *(median(plane[cell][sky[cell]]) for plane in planes)))
    if len(found) < FEWEST_CELLS:
        return None
    table = np.array(found).T
    u, v = 2.0 * table[:2] - 1.0
    return (u, v, table[2:]) if min(u.std(), v.std()) >= LEAST_SPREAD else None


def _robust_plane(terms: Floats, values: Floats) -> Floats:
    """Return the least-squares plane through values, those beyond 3 sigma left out once."""
    first = np.linalg.lstsq(terms, values, rcond=None)[0]
    left = values - terms @ first
    kept = np.abs(left) <= 3.0 * max(median_and_sigma(left)[1], 1e-9)
    return np.asarray(np.linalg.lstsq(terms[kept], values[kept], rcond=None)[0], dtype=np.float64)


def _median_error(values: Floats) -> float:
    return float(np.sqrt(np.pi / 2 / values.size) * median_and_sigma(values)[1])


def _added(layers: Work, name: str, size: int) -> dict[str, float] | None:
    """Return a line's light over its broad plane's in its brightest tenth, and the error by its scale and both skies.

    Told from means over ``size`` pixels a side: of single pixels the brightest are those that noise made bright.
    E = q (line / s - broad) with q = r / (t - r) (see `line_factor`): a scale that is off by ds takes (E + q broad)
    ds / s, a broad plane whose sky is off the same of its own sky's error.
    """
    line = layers.lines[name]
    if line.emission is None or not line.found:
        return None
    emission, broad = (shrink_plane(plane, size) for plane in (line.emission, layers.rgb.plane(line.broad)))
    where = (emission > 0) & np.isfinite(broad)
    if not where.any():
        return None
    where &= emission >= np.percentile(emission[where], BRIGHTEST)
    light, level = (float(plane[where].mean(dtype=np.float64)) for plane in (emission, broad))
    scale = layers.recorded.get("continuum", {}).get(name, {})
    if not (level > 0 and scale.get("scale")):
        return None
    settings, gain = layers.recipe.continuum_for(name), layers.gains[COLOUR.index(line.broad)]
    factor = line_factor(
        scale["scale"],
        width_ratio=width_ratio(layers.target, name),
        throughput_ratio=settings.throughput_ratio,
        line_in_band=settings.line_in_band,
    )
    share, starlight = light / level, factor * scale["scale"]
    of_scale = scale.get("error", 0.0) / scale["scale"]
    of_sky = _sky_error(layers, "rgb", line.broad) * gain / level
    errors = (
        *(share + starlight) * np.array([of_scale, of_sky]),
        factor * gain * _sky_error(layers, name, name) / level,
    )
    return {"share": share, "error": float(np.linalg.norm(errors))}


def _sky_error(work: Work, name: str, plane: str) -> float:
    told = work.recorded.get("gradient", {}).get(name, {}).get(plane, {})
    return float(told.get("uncertainty") or 0.0)
