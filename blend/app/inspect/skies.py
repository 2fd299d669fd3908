"""The sky of one picture, fitted by a surface of degree 2 at most and by a spline: what each leaves, as a picture."""

from __future__ import annotations

import io
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import InputError, RecipeError
from blend.base.master import Flag
from blend.files.claim import refuse_paths
from blend.files.raw import is_raw
from blend.files.reader import header_text, read_picture
from blend.files.seal import is_sealed, sealed
from blend.files.whole import write_whole
from blend.recipe.steps.skywords import CLEARLY_LESS, UNEVEN_SIGMA
from blend.science.plane import measure
from blend.science.sensor import judge
from blend.science.sky import CAN_EAT, SkyFit, bin_light, fit_sky, fit_spline, largest_deviation, object_mask

PANEL_PX = 360
"""Long edge of what a panel shows."""
REACH_SIGMA = 5.0
"""Black and white lie this many sigma of a pixel from neutral."""


@dataclass(frozen=True, eq=False)
class TwoSkies:
    """One plane's two fits, its light without each in small bins, the noise of a pixel, and what each leaves of it.

    The light is upright, as reports show it.
    """

    name: str
    fits: tuple[SkyFit, SkyFit]
    left: tuple[NDArray[np.float64], NDArray[np.float64]]
    noise: float
    uneven: tuple[float | None, float | None]

    @property
    def suggested(self) -> bool:
        """Whether degree 2 misfits and the spline leaves clearly less."""
        low, bent = self.uneven
        return low is not None and bent is not None and low > UNEVEN_SIGMA and bent <= CLEARLY_LESS * low


def inspect_sky(path: Path, picture: Path, *, overwrite: bool = False) -> str:
    """Write a picture of both skies of a file's planes; return in words what each leaves.

    Parameters
    ----------
    path : Path
        A linear picture.
    picture : Path
        Ends in .png.
    overwrite : bool
        The user allows the loss of a file in the way that is not from here.

    Raises
    ------
    RecipeError
        The picture's name has another end, or a file is in the way.
    InputError
        The file is no picture.
    StepError
        No sky can be fitted.
    """
    if picture.suffix.lower() != ".png":
        raise RecipeError("--sky", found=f"the name {picture}", expected="one that ends in .png")
    refuse_paths([(picture, is_sealed)], reads=[path], overwrite=overwrite)
    skies = _two_skies(path)
    data = io.BytesIO()
    _sky_figure(skies).savefig(data, format="png", dpi=110, metadata={"Software": None})
    write_whole(picture, sealed(data.getvalue(), kind="png"))
    lines = [f"{path}", *(_in_words(one) for one in skies)]
    if any(one.suggested for one in skies):
        lines.append(f'  try model = "spline" in [gradient] of the recipe; {CAN_EAT}')
    return "\n".join([*lines, f"  picture: {picture}"])


def _two_skies(path: Path) -> list[TwoSkies]:
    """Return both skies of every plane of a picture."""
    if path.suffix == ".toml" or is_raw(path):
        raise InputError(str(path), found="no calibrated picture", expected="a linear master as FITS or TIFF")
    master = read_picture(path)
    missing = master.has(Flag.NO_DATA)
    border = judge(master.pixels, master.planes, header=header_text(path), invalid=missing).border
    invalid = np.asarray(border | missing)
    figures = measure(master.pixels, master.planes, invalid=invalid)
    masked = object_mask(list(master.pixels), invalid=invalid) | invalid
    size = max(1, -(-max(master.shape) // PANEL_PX))
    skies = []
    for index, name in enumerate(master.planes):
        plane = master.pixels[index]
        fits = fit_sky(plane, masked=masked, where=f"sky.{name}"), fit_spline(plane, masked=masked)
        light, noise = bin_light(plane, size=size, invalid=invalid), figures[name]["noise"][1]
        y, x = np.mgrid[: light.shape[0], : light.shape[1]] * float(size) + 0.5 * (size - 1)
        places = np.stack([x.ravel(), y.ravel()], axis=1)
        low, bent = (light - fit.at(places)[0].reshape(light.shape) for fit in fits)
        if master.facts.rows == "bottom-up":
            low, bent = low[::-1], bent[::-1]
        most = [largest_deviation(fit) for fit in fits]
        known = noise > 0.0
        one, other = (each / noise if each is not None and known else None for each in most)
        skies.append(TwoSkies(name, fits, (low, bent), noise, (one, other)))
    return skies


def _sky_figure(skies: list[TwoSkies]) -> Any:
    """Return a figure: a row a plane; without the surface, without the spline, and how the two differ."""
    from matplotlib.figure import Figure

    rows, columns = skies[0].left[0].shape
    figure = Figure(figsize=(11.0, 0.6 + len(skies) * (0.5 + 3.4 * rows / columns)), layout="constrained")
    for one, row in zip(skies, figure.subplots(len(skies), 3, squeeze=False), strict=True):
        low, bent = one.left
        titles = [
            f"{one.name}: degree {one.fits[0].degree} taken off{_most(one.uneven[0])}",
            f"spline taken off{_most(one.uneven[1])}",
            "spline minus degree 2",
        ]
        unit = one.noise if one.noise > 0.0 else 1.0
        reach = max(REACH_SIGMA, float(np.nanmax(np.abs(low - bent))) / unit)
        shown = [(low, "gray", REACH_SIGMA), (bent, "gray", REACH_SIGMA), (low - bent, "RdBu_r", reach)]
        for axes, title, (light, colours, most) in zip(row, titles, shown, strict=True):
            drawn = axes.imshow(light / unit, cmap=colours, vmin=-most, vmax=most, interpolation="nearest")
            axes.set_title(title, fontsize=9)
            axes.set_axis_off()
        figure.colorbar(drawn, ax=row[2], label="sigma of a pixel", shrink=0.9)
    return figure


def _most(uneven: float | None) -> str:
    return "" if uneven is None else f"\nlargest deviation {uneven:.2g} sigma"


def _in_words(one: TwoSkies) -> str:
    low, bent = one.uneven
    if low is None or bent is None:
        return f"  {one.name}: too little free sky to tell what a fit leaves"
    text = (
        f"  {one.name}: degree {one.fits[0].degree} leaves {low:.2g} sigma of a pixel, a spline {bent:.2g} "
    )
    text += "(the hundredth of the frame furthest from neutral)"
    if one.suggested:
        return text + ": the sky may bend more than degree 2 does"
    return text + (": degree 2 will do" if low <= UNEVEN_SIGMA else ": a spline takes out little of it")
