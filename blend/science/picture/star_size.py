"""Smaller and fainter stars in a finished picture, each by its own profile.

e = light - behind, light that of the display and ``behind`` the smooth fill from around the star; q(r) the mean of e's
luminance in rings around the star, falling only. A star of ``size`` s and ``brightness`` b has b q(p(r)) where it had
q(r), with p(r) = r / s up to 0.6 of the radius R where q ends and a straight line from there to p(R) = R, where b has
risen to 1: a pixel loses the share

(1 - b q(p(r)) / q(r)) * q^2 / (q^2 + sigma^2)

of e in all three planes, so that its colour stays, and the noise around it, which q does not hold. Where stars overlap,
shares count by q. Nothing falls below the darker of what was there and what lies behind: there is no dark ring.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from blend.base.jit import kernel
from blend.base.robust import MAD_TO_SIGMA, known_median
from blend.base.rowblocks import copy_planes
from blend.science.picture.colour import LUMINANCE_WEIGHTS, luminance
from blend.science.picture.colourspace import srgb_decode, srgb_encode
from blend.science.picture.fill_stars import fill_at

Array = NDArray[np.float32]

RINGS_PER_PX = 2
"""Rings half a pixel wide hold the profile of a star 2 px wide; a ring without a pixel lies between its neighbours."""

ENDS = 0.12
"""Of a star's light: what still falls by more between its rim and a third further out is a nucleus, no star. That of a
barred spiral, taken for a saturated star, fell by 0.30, the 29 brightest stars of its frame by 0.06 at most."""

RIM, BEYOND, RING = 0.85, 1.15, 0.2
"""Where the rings at a star's rim and a third further out begin, and their width, in its radius. Chosen."""

FAINT_EDGE = 0.1
"""Of the mask: where a star's light has all but gone, so that what scatters there is noise."""

WIDER = 2.0
"""How much further than its radius a star's light is followed: the mask of a saturated one goes on."""

LEAST_SIZE = 0.5
"""A star 3 px wide is then 1.5 px: less would fall between pixels."""


def shrink_stars(
    display: Array,
    *,
    xy: NDArray[np.float64],
    radii: NDArray[np.float64],
    mask: Array,
    size: float = 1.0,
    brightness: float = 1.0,
) -> Array:
    """Return the picture with smaller and fainter stars; the rule stands above.

    Parameters
    ----------
    display : (3, rows, columns)
        sRGB code values; NaN stays alone.
    xy : (n, 2)
        Centres, pixels.
    radii : (n,)
        Where each star is lost in the noise, pixels; its light is followed to twice that, as far as the mask goes.
    mask : (rows, columns)
        1 on stars, soft to 0: what is 0 keeps its bits.
    size, brightness : float
        0.5 to 1; both 1 return ``display`` itself.

    Returns
    -------
    (3, rows, columns) float32

    Raises
    ------
    ValueError
        A factor outside its range.

    Notes
    -----
    24 Mpx with 4000 stars take 1.8 core-seconds, and two planes of memory beside the new picture.
    """
    for name, value in (("size", size), ("brightness", brightness)):
        if not LEAST_SIZE <= value <= 1.0:
            raise ValueError(f"{name} is {value}, not from {LEAST_SIZE:g} to 1")
    places = np.flatnonzero(mask > 0)
    if (size == 1.0 and brightness == 1.0) or not len(xy) or not places.size:
        return display
    light = srgb_decode(np.stack([plane.reshape(-1)[places] for plane in display]))
    behind = srgb_decode(np.stack([fill_at(plane, mask, places) for plane in display]))
    weights = np.asarray(LUMINANCE_WEIGHTS, dtype=np.float32)
    excess = np.zeros(mask.shape, dtype=np.float32)
    excess.reshape(-1)[places] = np.tensordot(weights, light - behind, 1)
    ends = np.array([_ends(display, at, radius) for at, radius in zip(xy, radii, strict=True)])
    profiles = _lost_share(excess, mask, xy, radii, ends, size=size, brightness=brightness)
    share = profiles.reshape(-1)[places]
    share *= mask.reshape(-1)[places]
    out = copy_planes(display)
    shown = srgb_encode(np.clip(light - share * (light - behind), 0.0, 1.0)).astype(np.float32)
    touched = (share > 0) & ~np.isnan(shown).any(axis=0)
    for plane, values in zip(out, shown, strict=True):
        plane.reshape(-1)[places[touched]] = values[touched]
    return out


def _lost_share(
    excess: Array,
    mask: Array,
    xy: NDArray[np.float64],
    radii: NDArray[np.float64],
    ends: NDArray[np.float64],
    *,
    size: float,
    brightness: float,
) -> Array:
    """Return which share of its light each pixel of a star loses, 0 to 1."""
    edge = excess[(mask > 0) & (mask < FAINT_EDGE)]
    sigma = MAD_TO_SIGMA * np.nan_to_num(known_median(np.abs(edge - known_median(edge))))
    weight, lost = np.zeros_like(excess), np.zeros_like(excess)
    for at, radius, end in zip(xy, radii, ends, strict=True):
        window, centre = _window(at, WIDER * radius)
        profile = _profile(excess[window], centre, WIDER * radius)
        if end > max(ENDS * profile[0], sigma):
            continue
        small = brightness * np.interp(
            np.arange(len(profile)) / size, np.arange(len(profile)), profile, right=0.0
        )
        sure = profile**2 / np.maximum(profile**2 + sigma**2, 1e-20)
        gone = (profile - np.minimum(small, profile)) * sure
        _lay(weight[window], lost[window], centre, profile, gone)
    return np.asarray(np.clip(lost / np.maximum(weight, np.float32(1e-12)), 0.0, 1.0))


def _window(at: NDArray[np.float64], reach: float) -> tuple[tuple[slice, slice], tuple[float, float]]:
    """Return the pixels around a star, and its centre (x, y) among them."""
    x, y = (float(value) for value in at)
    rows, columns = (slice(max(int(v - reach), 0), max(int(v + reach) + 2, 0)) for v in (y, x))
    return (rows, columns), (x - columns.start, y - rows.start)


def _ends(display: Array, at: NDArray[np.float64], radius: float) -> float:
    """Return by how much the light still falls beyond a star's rim, medians of rings: 0 where it is no longer seen."""
    window, (x, y) = _window(at, (BEYOND + RING) * radius)
    part = display[(slice(None), *window)]
    rows, columns = np.ogrid[: part.shape[1], : part.shape[2]]
    r = np.hypot(columns - x, rows - y) / radius
    rings = [part[:, (r > inner) & (r <= inner + RING)] for inner in (RIM, BEYOND)]
    light = [known_median(luminance(srgb_decode(ring.astype(np.float64)))) for ring in rings]
    return float(np.nan_to_num(light[0] - light[1]))


def _profile(excess: Array, centre: tuple[float, float], radius: float) -> NDArray[np.float64]:
    """Return the mean light of a star in its rings, falling only, 0 in the last."""
    count = int(np.ceil(radius * RINGS_PER_PX)) + 2
    total, pixels = np.zeros(count), np.zeros(count)
    _gather_rings(excess, centre, total, pixels)
    known = np.flatnonzero(pixels)
    if not known.size:
        return np.zeros(count)
    mean = np.interp(np.arange(count), known, total[known] / pixels[known])
    mean[-1] = 0.0
    return np.asarray(np.maximum(np.minimum.accumulate(mean), 0.0))


@kernel
def _gather_rings(excess, centre, total, pixels):  # type: ignore[no-untyped-def]
    for y in range(excess.shape[0]):
        for x in range(excess.shape[1]):
            ring = int(2.0 * np.hypot(x - centre[0], y - centre[1]) + 0.5)
            if ring < len(total) and not np.isnan(excess[y, x]):
                total[ring] += excess[y, x]
                pixels[ring] += 1.0


@kernel
def _lay(weight, lost, centre, profile, gone):  # type: ignore[no-untyped-def]
    last = len(profile) - 1
    for y in range(weight.shape[0]):
        for x in range(weight.shape[1]):
            place = 2.0 * np.hypot(x - centre[0], y - centre[1])
            ring = int(place)
            if ring < last:
                part = place - ring
                weight[y, x] += profile[ring] + part * (profile[ring + 1] - profile[ring])
                lost[y, x] += gone[ring] + part * (gone[ring + 1] - gone[ring])
