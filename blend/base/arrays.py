"""The one boundary for arrays from outside: made plain numbers of this machine, or refused with one message."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.errors import ArrayError

EXPECTED = "real numbers without a unit, missing pixels masked or NaN"
"""What every refusal says was expected of an array."""

UNITS = ("", "adu", "electron")
"""Units of light in proportion to what the sensor counted, as a `blend.base.master.Facts` names them."""


def plain_array(array: Any, *, where: str, ndim: Sequence[int] = (2,)) -> NDArray[np.floating]:
    """Return an array as plain floats in this machine's byte order, C-contiguous, or refuse it.

    Parameters
    ----------
    array : array_like
        Of any byte order, strides and integer or floating type, read-only or not; ``numpy.ma`` masked, an astropy
        ``Quantity`` without a unit, or ``NDData`` without unit and uncertainty. Masked pixels become NaN.
    where : str
        What it is called, for the fault.
    ndim : sequence of int
        How many axes it may have.

    Returns
    -------
    float32 or float64
        The array itself where it is that already. Integers of 8 and 16 bits become float32, longer ones float64.

    Raises
    ------
    ArrayError
        It holds no numbers, carries what would be lost, or has another number of axes.

    Examples
    --------
    >>> plain_array(np.ma.masked_array([[1, 2]], mask=[[False, True]]), where="base")
    array([[ 1., nan]])
    >>> plain_array(np.array([[1j]]), where="base")
    Traceback (most recent call last):
    ...
    blend.base.errors.ArrayError: base: an array of complex128; expected real numbers without a unit, missing pixels \
masked or NaN. Do this: take its real part.
    """
    if type(array) is np.ndarray and array.dtype in (np.float32, np.float64) and array.flags.c_contiguous:
        plain = array
    else:
        parts = take_apart(array, where=where)
        if parts.unit:
            advice = "divide it by its full scale, or use Master.from_ccddata"
            raise refusal(where, f"an array in {parts.unit}", advice)
        if parts.sigma is not None:
            raise refusal(
                where, "an array with an uncertainty, which would be lost", "use Master.from_ccddata"
            )
        plain = parts.masked()
    if plain.ndim not in ndim or plain.size == 0:
        names = {0: "one number", 2: "(rows, columns)", 3: "(planes, rows, columns)"}
        wanted = " or ".join(names.get(count, f"{count} axes") for count in ndim)
        raise refusal(where, f"an array of shape {plain.shape}", f"give one of shape {wanted}")
    return plain


def plain_value(value: Any, *, where: str) -> float | NDArray[np.floating]:
    """Return a number, or a plane as `plain_array` does."""
    if isinstance(value, int | float):
        return value
    plain = plain_array(value, where=where, ndim=(0, 2))
    return plain if plain.ndim else float(plain)


@dataclass(frozen=True, eq=False)
class Parts:
    """An array taken apart: its numbers, where it is masked, its unit, and its standard deviation, all but the first
    may be absent."""

    numbers: NDArray[np.floating]
    mask: NDArray[np.bool_] | None = None
    unit: str = ""
    sigma: NDArray[np.floating] | None = None

    def masked(self) -> NDArray[np.floating]:
        """Return the numbers with NaN where they are masked."""
        if self.mask is None or not self.mask.any():
            return self.numbers
        return np.where(self.mask, self.numbers.dtype.type(np.nan), self.numbers)


def take_apart(array: Any, *, where: str) -> Parts:
    """Return what an array of any kind carries; `plain_array` says of which kinds."""
    mask = getattr(array, "mask", None)
    unit = getattr(array, "unit", None)
    uncertainty = getattr(array, "uncertainty", None)
    data = getattr(array, "unmasked", array)
    if isinstance(array, np.ma.MaskedArray) or hasattr(array, "uncertainty"):
        data = array.data
    elif unit is not None:
        # percent and the like are numbers once they are divided out
        dimensionless = unit.is_equivalent("")
        data, unit = (data.to_value(""), None) if dimensionless else (data.value, unit)
    numbers = _floats(data, where=where)
    if mask is not None:
        mask = np.broadcast_to(np.asarray(mask, dtype=bool), numbers.shape)
    sigma = None if uncertainty is None else _deviation(uncertainty, numbers.shape, where=where)
    return Parts(numbers, mask, "" if unit is None else unit.to_string(), sigma)


def refuse_foreign(arguments: Sequence[Any], *, where: str) -> None:
    """Raise `ArrayError` where a compiled loop would be handed an array that it cannot read, or not as it is meant.

    Raises
    ------
    ArrayError
        An array with a mask or a unit, or of another byte order.
    """
    for array in arguments:
        if not isinstance(array, np.ndarray):
            continue
        if not array.dtype.isnative:
            advice = f"give it as {array.dtype.newbyteorder('=')}"
            raise refusal(where, f"an array of {array.dtype.str}, another machine's byte order", advice)
        if type(array) is not np.ndarray and (hasattr(array, "mask") or hasattr(array, "unit")):
            raise refusal(where, f"a {type(array).__name__}", "give its numbers, NaN where they are masked")


def refusal(where: str, found: str, advice: str) -> ArrayError:
    """Return the fault of an array that cannot be taken."""
    return ArrayError(where, found=found, expected=EXPECTED, advice=advice)


def _floats(data: Any, *, where: str) -> NDArray[np.floating]:
    try:
        array = np.asarray(data)
    except (TypeError, ValueError, RuntimeError) as fault:
        raise refusal(where, f"{type(data).__name__}, which is no array ({fault})", "give numpy's") from None
    if array.dtype.kind not in "iuf":
        kind, name = array.dtype.kind, array.dtype.name
        what = name if kind in "cb" else f"{type(data).__name__} of {name}"
        raise refusal(where, f"an array of {what}", "take its real part" if kind == "c" else "give numbers")
    wide = array.dtype.itemsize > (4 if array.dtype.kind == "f" else 2)
    return np.asarray(array, dtype=np.float64 if wide else np.float32, order="C")


def _deviation(uncertainty: Any, shape: tuple[int, ...], *, where: str) -> NDArray[np.floating]:
    """Return the standard deviation that an uncertainty of astropy's states, in the unit of the data."""
    kind = getattr(uncertainty, "uncertainty_type", "unknown")
    values = _floats(uncertainty.array, where=f"{where}.uncertainty")
    with np.errstate(divide="ignore", invalid="ignore"):
        if kind == "var":
            values = np.sqrt(values)
        elif kind == "ivar":
            values = 1.0 / np.sqrt(values)
        elif kind != "std":
            raise refusal(
                where, f"an uncertainty of the kind {kind!r}", "give it as a standard deviation or a variance"
            )
    return np.broadcast_to(values, shape)
