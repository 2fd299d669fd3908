"""The state between two steps as plain values and arrays, and back: what a store can keep without pickles."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, is_dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.master import Facts, Master
from blend.recipe.state import Line, Source, Work, frozen
from blend.recipe.tables import Recipe
from blend.recipe.target import Target
from blend.science.grid import Alignment, Distortion
from blend.science.picture import TargetLight
from blend.science.sky import Bumps, SkyFit
from blend.science.stars import Stars

Document = dict[str, Any]
Arrays = dict[str, NDArray[Any]]

_KINDS: dict[str, Any] = {
    kind.__name__: kind
    for kind in (Alignment, Bumps, Distortion, Facts, Line, Master, SkyFit, Source, Stars, TargetLight)
}
"""What a kept state is made of, beside plain values, arrays and world coordinates."""
_KEPT = (
    *("sources", "masters", "lines", "stars", "fwhm_px", "gains", "star_mask", "alignments", "skies"),
    *("catalogue", "target_light", "objects", "warnings"),
)


def pack_work(work: Work) -> tuple[Document, Arrays]:
    """Return a state up to balance, or cut from a balanced one, as a document of plain values and the arrays it names.

    An array that stands in two places (a line's master and its scaled light) is kept once. What no later step reads is
    left out: views, calibration frames, and once there are lines the skies, the alignments, and of a line what stands
    in the record already or is for files of a run.
    """
    kept = {name: getattr(work, name) for name in _KEPT}
    kept["sources"] = {name: Source(lights=source.lights) for name, source in work.sources.items()}
    # the halo is no part of a sky's model
    kept["skies"] = {
        name: {plane: replace(fit, halo=None, strength=None) for plane, fit in fits.items()}
        for name, fits in work.skies.items()
    }
    if work.lines:
        kept |= {"alignments": {}, "skies": {}}
        kept["lines"] = {
            name: replace(line, measured=None, halos=(), scale=None) for name, line in work.lines.items()
        }
    if work.target_light is not None:
        kept["objects"] = None
    pack = _Pack()
    document = {name: pack.value(value) for name, value in kept.items()}
    return {**document, "recorded": _plain(work.recorded)}, pack.arrays


def unpack_work(
    document: Mapping[str, Any], arrays: Mapping[str, NDArray[Any]], *, recipe: Recipe, target: Target
) -> Work:
    """Return the state that `pack_work` took apart, under a recipe and a target."""
    kept = {name: _value(document[name], arrays) for name in _KEPT}
    return Work(recipe=recipe, target=target, **kept, recorded=frozen(document["recorded"]))


class _Pack:
    def __init__(self) -> None:
        self.arrays: Arrays = {}
        self._known: dict[tuple[Any, ...], str] = {}

    def array(self, array: NDArray[Any]) -> Document:
        """Return the name under which an array is kept, and its shape: planes of a picture may be one of its own."""
        flat = array[0] if array.ndim == 3 and array.shape[0] == 1 else array
        place = (flat.__array_interface__["data"][0], flat.shape, flat.strides, flat.dtype.str)
        if place not in self._known:
            self._known[place] = f"array{len(self.arrays)}"
            self.arrays[self._known[place]] = flat
        return {"array": self._known[place], "shape": list(array.shape)}

    def value(self, value: Any) -> Any:
        """Return a value as JSON has it, with its arrays' names; numbers keep every bit, keys their kind."""
        if isinstance(value, np.ndarray):
            return self.array(value)
        if is_dataclass(value):
            own = {item.name: self.value(getattr(value, item.name)) for item in fields(value)}
            return {"kind": type(value).__name__, "fields": own}
        if isinstance(value, Mapping):
            return {"items": [[self.value(key), self.value(item)] for key, item in value.items()]}
        if isinstance(value, list | tuple):
            return [self.value(item) for item in value]
        if hasattr(value, "to_header_string"):
            return {"wcs": value.to_header_string(relax=True)}
        return _plain(value)


def _value(value: Any, arrays: Mapping[str, NDArray[Any]]) -> Any:
    """Return what `_Pack.value` took apart, lists as tuples."""
    if isinstance(value, list):
        return tuple(_value(item, arrays) for item in value)
    if not isinstance(value, Mapping):
        return value
    if "array" in value:
        return arrays[value["array"]].reshape(value["shape"])
    if "items" in value:
        return frozen({_value(key, arrays): _value(item, arrays) for key, item in value["items"]})
    if "wcs" in value:
        from astropy.wcs import WCS

        return WCS(header=value["wcs"])
    return _KINDS[value["kind"]](**{key: _value(item, arrays) for key, item in value["fields"].items()})


def _plain(value: Any) -> Any:
    """Return nested values as JSON has them; numbers keep every bit."""
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return value.item() if isinstance(value, np.generic) else value
