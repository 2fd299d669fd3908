"""The page to look with: layers and equations in one file, so that a browser makes the picture as the program does."""

from __future__ import annotations

import base64
import json
import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from blend.base.equation import javascript_prelude
from blend.pages.fill_template import markup, template, template_text
from blend.pages.kernels import PRELUDE, kernel_javascript, loop_javascript
from blend.pages.lanes import MOST_PIXELS, Machine
from blend.pages.loops import LOOPS as RUNS
from blend.pages.loops import PART_BITS, STEPS
from blend.recipe.toml import flatten, to_toml, toml_value
from blend.science.picture import (
    BLEND_NAMES,
    CONTRAST,
    CURVES,
    FORMULAS,
    KNEE,
    LOOPS,
    LUMINANCE_WEIGHTS,
    MOST_AMOUNT,
    Curve,
    Formula,
    colourspace,
)

Plane = NDArray[np.float32]

CODES_PER_E = 512
"""Codes for each factor e of bright light: a code is 0.2 % of it."""
KNEE_SIGMA = 8.0
"""Light is companded linearly below this many sigma of a pixel: a code is 1/64 sigma of the sky."""
MIDDLE = 1 << 15
"""The code of no light; 0 is a missing pixel."""
SPACES = ("RGB_TO_XYZ", "XYZ_TO_RGB", "WHITE_D65", "RGB_TO_LMS", "LMS_TO_RGB", "LMS_TO_OKLAB", "OKLAB_TO_LMS")
"""Matrices of colour spaces that the engine needs."""


@dataclass(frozen=True, kw_only=True, eq=False)
class Layer:
    """One plane of light as the page carries it."""

    pixels: Plane  # (rows, columns) float32; upright, linear, sky 0; NaN where there is no data
    sigma: float  # noise of one sky pixel, which sets the fineness of the codes; above 0

    @property
    def knee(self) -> float:
        """Light at which the companding turns from linear to logarithmic."""
        return KNEE_SIGMA * self.sigma


@dataclass(frozen=True, kw_only=True)
class Origin:
    """Where a recipe comes from."""

    extends: str  # what a recipe that builds on it names: a shipped recipe, or the whole path of a file
    given: Mapping[str, Any]  # what was set beside it, by dotted key


@dataclass(frozen=True, kw_only=True, eq=False)
class Scene:
    """What the page is made of."""

    title: str
    # ``red green blue`` balanced, and what blends may draw from: ``ha``, ``ha.emission``
    layers: Mapping[str, Layer]
    # ``red green blue`` as they are behind stars, (1, n) at the n pixels whose mask is above 0, row by row; empty
    # where stars are not protected
    behind: Mapping[str, Layer]
    mask: NDArray[np.uint8] | None  # (rows, columns) uint8, or None; 255 on stars, 0 on sky
    facts: Mapping[str, Any]  # plain values that the page's engine reads; see `blend.app.trial.explore`
    formulas: Mapping[str, Formula]  # what may be chosen: the table's and the recipe's own
    recipe: Mapping[str, Any]  # resolved
    # ``n a b``, what blocks of 4 x 4 pixels lose as colour noise; empty where nothing is taken out
    shifts: Mapping[str, Layer] = field(default_factory=dict)
    command: str = ""  # what runs the recipe as it stands; empty where it is not known
    origin: Origin | None = None  # where the recipe comes from; None where only the whole of it can be saved
    tiles: Sequence[Mapping[str, Any]] = ()  # of a trial: ``tile``, its number, and ``values`` by dotted key


def write_explore(scene: Scene) -> str:
    """Return the page as one self-contained HTML text that asks nothing of any network.

    Notes
    -----
    Text from files is escaped by the template or, inside the page's data, by `safe_json`.
    """
    light = {**scene.layers, **{f"behind {name}": layer for name, layer in scene.behind.items()}}
    light |= {f"shift {name}": layer for name, layer in scene.shifts.items()}
    facts = {
        **scene.facts,
        "title": scene.title,
        "command": scene.command,
        "recipe": {**recipe_with_holes(scene.recipe, scene.facts["values"]), **_origin(scene.origin)},
        "tiles": [dict(tile) for tile in scene.tiles],
        "layers": {name: {"knee": layer.knee, "sigma": layer.sigma} for name, layer in light.items()},
        "codes_per_e": CODES_PER_E,
        "middle": MIDDLE,
        "spaces": {name: getattr(colourspace, name).tolist() for name in SPACES},
    }
    packed = {name: packed_codes(companded(layer)) for name, layer in light.items()}
    if scene.mask is not None:
        packed["mask"] = _packed(scene.mask.tobytes())
    page: str = template("explore.html").render(
        title=scene.title,
        facts=markup(safe_json(facts)),
        packed=packed,
        engine=markup(engine_source(scene.formulas)),
        page_script=markup(
            "\n".join(
                template_text(f"explore-{part}.js")
                for part in ("values", "numbers", "view", "controls", "page")
            )
        ),
    )
    return page


def mask_codes(mask: Plane) -> NDArray[np.uint8]:
    """Return a star mask in 8 bits; what is above 0 stays above it."""
    codes = np.rint(255.0 * np.nan_to_num(mask))
    return np.asarray(np.maximum(codes, mask > 0), dtype=np.uint8)


def companded(layer: Layer) -> NDArray[np.uint16]:
    """Return light as 16-bit codes: MIDDLE + CODES_PER_E asinh(light / knee), 0 where there is none.

    Linear around the sky and logarithmic above, negatives alike, so that a code's step stays far below the noise of a
    pixel and below what 8 bits show.
    """
    scaled = np.arcsinh(layer.pixels * np.float32(1.0 / layer.knee)) * np.float32(CODES_PER_E)
    codes = np.clip(np.rint(np.nan_to_num(scaled, nan=0.0)) + MIDDLE, 1, 65535)
    return np.where(np.isnan(layer.pixels), 0, codes).astype(np.uint16)


def packed_codes(codes: NDArray[np.uint16]) -> str:
    """Return codes as text: all high bytes, then all low ones, deflated, in base 64."""
    return _packed((codes >> 8).astype(np.uint8).tobytes() + (codes & 255).astype(np.uint8).tobytes())


def _packed(data: bytes) -> str:
    # Low bytes are noise, which gains from its uneven shares alone; the rest is runs.
    squeeze = zlib.compressobj(6, zlib.DEFLATED, -15, strategy=zlib.Z_RLE)
    return base64.b64encode(squeeze.compress(data) + squeeze.flush()).decode("ascii")


def safe_json(value: Any) -> str:
    """Return JSON that may stand inside a script element: no text in it can end the element or begin another.

    Examples
    --------
    >>> safe_json("</script>")
    '"\\\\u003c/script\\\\u003e"'
    """
    text = json.dumps(value, allow_nan=False)
    return text.replace("<", "\\u003c").replace(">", "\\u003e").replace("&", "\\u0026")


def recipe_with_holes(recipe: Mapping[str, Any], keys: Iterable[str]) -> dict[str, Any]:
    """Return the recipe's TOML text with holes for what the page may change: ``{"text", "open"}``.

    A hole is a TOML text value: ``open``, a word the recipe does not contain, then the key.
    """
    plain = to_toml(recipe)
    mark = "hole"
    while mark in plain:
        mark += "-"
    holed = json.loads(json.dumps(recipe))
    for key in keys:
        *path, last = key.split(".")
        table = holed
        for part in path:
            table = table[part]
        table[last] = f"{mark} {key}"
    return {"text": to_toml(holed), "open": mark}


def _origin(origin: Origin | None) -> dict[str, Any]:
    """Return what the page needs to save what differs alone."""
    if origin is None:
        return {"extends": "", "given": {}}
    given = {key: toml_value(value) for key, value in flatten(origin.given).items()}
    return {"extends": origin.extends, "given": given}


# --- JavaScript -----------------------------------------------------------------------------------------


def engine_source(formulas: Mapping[str, Formula]) -> str:
    """Return the page's arithmetic as JavaScript that runs anywhere: equations, then the engine that uses them."""
    machine = Machine()
    loops = [kernel_javascript(kernel, machine) for kernel in LOOPS]
    loops += [loop_javascript(loop, machine) for loop in RUNS]
    tables = [
        javascript_prelude(),
        PRELUDE,
        machine.javascript(),
        *loops,
        f"const LUMINANCE_WEIGHTS = {json.dumps(LUMINANCE_WEIGHTS)}, MOST_AMOUNT = {MOST_AMOUNT}, KNEE = {KNEE};",
        f"const BLOCK = {MOST_PIXELS}, PART_BITS = {PART_BITS}, STEPS = {STEPS};",
        f"const addContrast = (u, amount) => {CONTRAST.javascript()};",
        f"const CURVES = {_object((name, _curve(curve)) for name, curve in CURVES.items())};",
        f"const FORMULAS = {_object((name, _formula(formula)) for name, formula in formulas.items())};",
    ]
    return "\n".join(
        [*tables, *(template_text(f"explore-{part}.js") for part in ("engine", "finish", "bands"))]
    )


def offered(own: Mapping[str, Formula]) -> dict[str, Formula]:
    """Return the formulas that a page offers: the table's, then the recipe's own."""
    return {**dict(FORMULAS.items()), **own}


def _object(entries: Iterable[tuple[str, str]]) -> str:
    return "{\n" + ",\n".join(f"{json.dumps(name)}: {body}" for name, body in entries) + "\n}"


def _curve(curve: Curve) -> str:
    arrow = f"(x, {curve.parameter})" if curve.parameter else "(x)"
    solution = f"(m, t) => {curve.parsed_solution.javascript()}" if curve.solution else "null"
    return (
        f"{{parameter: {json.dumps(curve.parameter)}, bracket: {json.dumps(curve.bracket)}, "
        f"value: {arrow} => {curve.parsed.javascript()}, solution: {solution}}}"
    )


def _formula(formula: Formula) -> str:
    """Return one formula: its facts, its neutral value, and a loop over pixels with the equation in it."""
    own = ", ".join(formula.params)
    opacity = "$value" if formula.uses_amount else "base + amount * ($value - base)"
    # Arithmetic, min and max carry NaN along by themselves; only a comparison, or a plane left out, would lose it.
    carries = not formula.parsed.uses("where") and {"base", "line"} <= set(formula.parsed.names)
    missing = "" if carries else "base !== base || line !== line ? NaN : "
    # Names of values are lower case, so that those of the loop, with a dollar, cannot meet them.
    loop = (
        f"($out, $base, $line, $count, {{{', '.join(BLEND_NAMES[2:])}}}, {{{own}}}) => {{\n"
        "  for (let $i = 0; $i < $count; $i += 1) {\n"
        "    const base = $base[$i], line = $line[$i];\n"
        f"    const $value = {formula.parsed.javascript()};\n"
        f"    $out[$i] = {missing}{opacity};\n"
        "  }\n}"
    )
    limited = json.dumps(not formula.additive)
    return (
        f"{{domain: {json.dumps(formula.domain)}, limited: {limited}, equation: {safe_json(formula.equation)}, "
        f"about: {safe_json(formula.about)}, params: {json.dumps(dict(formula.params))},\n"
        f"neutral: (sky, {{{own}}}) => {formula.parsed_neutral.javascript()},\nblend: {loop}}}"
    )
