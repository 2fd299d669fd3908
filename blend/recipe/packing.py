"""The state between two steps as plain values and arrays, and back: what a store can keep without pickles."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, is_dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.master import Facts, Master
from blend.recipe.state import Behind, Line, Source, Work, frozen
from blend.recipe.tables import Recipe
from blend.recipe.target import Target
from blend.science.grid import Alignment
from blend.science.picture import TargetLight
from blend.science.sky import Bumps, SkyFit
from blend.science.stars import Stars

Document = dict[str, Any]
Arrays = dict[str, NDArray[Any]]

_WHOLE: dict[str, type] = {kind.__name__: kind for kind in (Alignment, Bumps, SkyFit, Stars, TargetLight)}


def pack_work(work: Work) -> tuple[Document, Arrays]:
    """Return a state up to balance, or cut from a balanced one, as a document of plain values and the arrays it names.

    An array that stands in two places (a line's master and its scaled light) is kept once. What no later
    step reads is left out: views, and once there are lines the skies and alignments.
    """
    pack = _Pack()
    document = {
        "sources": {
            name: [pack.master(light) for light in source.lights] for name, source in work.sources.items()
        },
        "masters": {name: pack.master(master) for name, master in work.masters.items()},
        "lines": {name: pack.line(line) for name, line in work.lines.items()},
        "stars": pack.value(work.stars),
        "fwhm_px": dict(work.fwhm_px),
        "gains": list(work.gains),
        "star_mask": None if work.star_mask is None else pack.array(work.star_mask),
        "alignments": []
        if work.lines
        else [[*key, pack.value(alignment)] for key, alignment in work.alignments.items()],
        "skies": {}
        if work.lines
        else {
            # the halo is no part of the model
            name: {plane: pack.value(replace(fit, halo=None, strength=None)) for plane, fit in fits.items()}
            for name, fits in work.skies.items()
        },
        "catalogue": None if work.catalogue is None else pack.array(work.catalogue),
        "target_light": None if work.target_light is None else pack.value(work.target_light),
        "objects": None
        if work.target_light is not None or work.objects is None
        else pack.array(work.objects),
        "recorded": _plain(work.recorded),
        "warnings": [list(pair) for pair in work.warnings],
    }
    return document, pack.arrays


def unpack_work(
    document: Mapping[str, Any], arrays: Mapping[str, NDArray[Any]], *, recipe: Recipe, target: Target
) -> Work:
    """Return the state that `pack_work` took apart, under a recipe and a target."""
    mask, catalogue = document["star_mask"], document["catalogue"]
    light, objects = document["target_light"], document["objects"]
    return Work(
        recipe=recipe,
        target=target,
        sources=frozen(
            {
                name: Source(lights=tuple(_master(light, arrays) for light in lights))
                for name, lights in document["sources"].items()
            }
        ),
        masters=frozen({name: _master(item, arrays) for name, item in document["masters"].items()}),
        lines=frozen({name: _line(item, arrays) for name, item in document["lines"].items()}),
        stars=_value(document["stars"], arrays),
        fwhm_px=frozen(document["fwhm_px"]),
        gains=tuple(document["gains"]),
        star_mask=None if mask is None else arrays[mask],
        alignments=frozen(
            {(name, index): _value(item, arrays) for name, index, item in document["alignments"]}
        ),
        skies=frozen(
            {
                name: {plane: _value(fit, arrays) for plane, fit in fits.items()}
                for name, fits in document["skies"].items()
            }
        ),
        catalogue=None if catalogue is None else arrays[catalogue],
        target_light=None if light is None else _value(light, arrays),
        objects=None if objects is None else arrays[objects],
        recorded=frozen(document["recorded"]),
        warnings=tuple((code, text) for code, text in document["warnings"]),
    )


def pack_begun(begun: Work, layers: Work) -> tuple[Document, Arrays]:
    """Return what `blend.recipe.steps.protect_stars.begin_blends` has made of layers, without the layers."""
    assert begun.linear is not None
    pack = _Pack()
    lines = {}
    for name, line in begun.lines.items():
        planes = {"scaled": line.scaled, "emission": line.emission}
        made = {key: plane for key, plane in planes.items() if plane is not getattr(layers.lines[name], key)}
        lines[name] = {key: pack.array(plane) for key, plane in made.items() if plane is not None}
    behind = begun.behind
    document = {
        "lines": lines,
        "linear": pack.array(begun.linear),
        "behind": None
        if behind is None
        else {"places": pack.array(behind.places), "planes": pack.array(behind.planes[:, 0])},
    }
    return document, pack.arrays


def unpack_begun(document: Mapping[str, Any], arrays: Mapping[str, NDArray[Any]], *, layers: Work) -> Work:
    """Return layers with what `pack_begun` took apart."""
    behind = document["behind"]
    lines = dict(layers.lines)
    for name, planes in document["lines"].items():
        line = lines[name]
        scaled = arrays[planes["scaled"]] if "scaled" in planes else line.scaled
        emission = arrays[planes["emission"]] if "emission" in planes else line.emission
        lines[name] = replace(line, scaled=scaled, emission=emission)
    return layers.with_(
        lines=frozen(lines),
        linear=arrays[document["linear"]],
        behind=None
        if behind is None
        else Behind(places=arrays[behind["places"]], planes=arrays[behind["planes"]][:, None]),
    )


_LINE_VALUES = ("sigma", "scaled_sigma", "broad", "found", "strongest", "share", "held")
_LINE_ARRAYS = ("emission", "unfaded")
"""Of a line; what stands in the record already (halos) or is for files of a run (measured, scale) is left out."""


class _Pack:
    def __init__(self) -> None:
        self.arrays: Arrays = {}
        self._known: dict[tuple[Any, ...], str] = {}

    def array(self, array: NDArray[Any]) -> str:
        """Return the name under which an array is kept."""
        flat = array[0] if array.ndim == 3 and array.shape[0] == 1 else array
        place = (flat.__array_interface__["data"][0], flat.shape, flat.strides, flat.dtype.str)
        if place not in self._known:
            self._known[place] = f"array{len(self.arrays)}"
            self.arrays[self._known[place]] = flat
        return self._known[place]

    def value(self, value: Any) -> Any:
        """Return a value whole, if it is of `_WHOLE` or such may be in it."""
        if isinstance(value, np.ndarray):
            return {"array": self.array(value)}
        if is_dataclass(value):
            own = {item.name: self.value(getattr(value, item.name)) for item in fields(value)}
            return {"type": type(value).__name__, **own}
        return _plain(value)

    def master(self, master: Master) -> Document:
        facts = {item.name: getattr(master.facts, item.name) for item in fields(Facts)}
        wcs = facts.pop("wcs")
        return {
            "pixels": self.array(master.pixels),
            "flags": self.array(master.flags),
            "planes": list(master.planes),
            "domain": master.domain,
            "facts": _plain(facts),
            "wcs": None if wcs is None else wcs.to_header_string(relax=True),
        }

    def line(self, line: Line) -> Document:
        values = {name: getattr(line, name) for name in _LINE_VALUES}
        arrays = {name: getattr(line, name) for name in _LINE_ARRAYS}
        planes = {name: None if array is None else self.array(array) for name, array in arrays.items()}
        return {"scaled": self.array(line.scaled), **planes, **_plain(values)}


def _master(item: Mapping[str, Any], arrays: Mapping[str, NDArray[Any]]) -> Master:
    facts = dict(item["facts"])
    facts["noise"] = frozen(
        {
            plane: {int(size): sigma for size, sigma in known.items()}
            for plane, known in facts["noise"].items()
        }
    )
    facts["site"] = None if facts["site"] is None else tuple(facts["site"])
    facts["odd_cards"] = tuple(facts["odd_cards"])
    facts |= {name: frozen(facts[name]) for name in ("sky", "saturation", "broad_noise")}
    pixels = arrays[item["pixels"]]
    return Master(
        pixels=pixels[None] if pixels.ndim == 2 else pixels,
        flags=arrays[item["flags"]],
        planes=tuple(item["planes"]),
        domain=item["domain"],
        facts=Facts(**facts, wcs=_wcs(item["wcs"])),
    )


def _line(item: Mapping[str, Any], arrays: Mapping[str, NDArray[Any]]) -> Line:
    own: dict[str, Any] = {name: item[name] for name in _LINE_VALUES}
    own |= {name: None if item[name] is None else arrays[item[name]] for name in _LINE_ARRAYS}
    return Line(scaled=arrays[item["scaled"]], **own)


def _value(value: Any, arrays: Mapping[str, NDArray[Any]]) -> Any:
    """Return what `_Pack.value` took apart."""
    if isinstance(value, Mapping):
        if "array" in value:
            return arrays[value["array"]]
        return _WHOLE[value["type"]](**{k: _value(v, arrays) for k, v in value.items() if k != "type"})
    return tuple(value) if isinstance(value, list) else value


def _wcs(text: str | None) -> Any:
    if text is None:
        return None
    from astropy.wcs import WCS

    return WCS(header=text)


def _plain(value: Any) -> Any:
    """Return nested values as JSON has them; numbers keep every bit."""
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    return value.item() if isinstance(value, np.generic) else value
