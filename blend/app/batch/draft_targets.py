"""From a folder of masters to target files: headers read, files grouped, calibration paired, doubts listed."""

from __future__ import annotations

import os
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from blend.base.errors import BlendError, InputError
from blend.files.cards import kind_in, odd_card_note, stated_kind
from blend.files.claim import refuse_paths
from blend.files.reader import header_text, peek
from blend.files.seal import is_sealed, sealed
from blend.files.source import Peek
from blend.files.whole import write_whole
from blend.recipe.fields import folder_name
from blend.recipe.toml import to_toml
from blend.science.sensor import EXPOSURE_SHARE, STEP_C

SUFFIXES = frozenset((".fits", ".fit", ".fts", ".tif", ".tiff"))
LINES = {"ha": ("ha", "halpha", "hydrogenalpha"), "oiii": ("oiii", "o3"), "sii": ("sii", "s2")}
PLANES = {"red": ("r", "red"), "green": ("g", "green"), "blue": ("b", "blue")}


@dataclass(frozen=True, kw_only=True)
class Frame:
    """A file as its header tells of it; ``told`` says what did not come from the header."""

    path: Path
    head: Peek
    kind: str
    target: str
    filter: str
    told: tuple[str, ...] = ()


@dataclass(frozen=True, kw_only=True)
class Draft:
    """A target file to be written, and the reasons and doubts that stand in it as comments."""

    path: Path
    text: str
    notes: tuple[str, ...]


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What was found in a folder."""

    drafts: tuple[Draft, ...]
    left_out: tuple[str, ...]
    pictures: tuple[Path, ...] = ()

    def text(self) -> str:
        """Return the plan as text."""
        lines = []
        for draft in self.drafts:
            lines += [f"{draft.path}", *(f"  {note}" for note in draft.notes)]
        if self.left_out:
            lines += ["left out:", *(f"  {line}" for line in self.left_out)]
        return "\n".join(lines)


def plan_folder(folder: Path, *, out: Path) -> Plan:
    """Read the headers of all pictures below a folder and draft a target file for each target.

    Nothing is guessed silently: what a name told instead of a header, what is missing, and what could be paired in
    several ways is told in the notes, and stands as comments in the drafts. No ambiguous pairing is made.

    Raises
    ------
    InputError
        The folder is none, or holds no master light.
    """
    if not folder.is_dir():
        raise InputError(str(folder), found="no such folder", expected="a folder of masters")
    frames, left_out, pictures = [], [], []
    for path in sorted(folder.rglob("*")):
        parts = path.relative_to(folder).parts
        if path.suffix.lower() in SUFFIXES and path.is_file() and not any(p.startswith(".") for p in parts):
            pictures.append(path)
            try:
                frames.append(_read(path))
            except BlendError as fault:
                left_out.append(str(fault))
    left_out += [
        f"{f.path}: what kind of frame it is, neither header nor name says" for f in frames if not f.kind
    ]
    lights = [frame for frame in frames if frame.kind == "light"]
    if not lights:
        raise InputError(
            str(folder),
            found="no master light among its pictures",
            expected="files whose IMAGETYP says light, or with light in their names",
            advice="write the target file by hand; blend schema target lists its keys",
        )
    targets = sorted({frame.target for frame in lights})
    names = [folder_name(_kebab(target)) for target in targets]
    drafts = [
        _draft(_unique(names, index), [f for f in lights if f.target == target], frames, out=out)
        for index, target in enumerate(targets)
    ]
    return Plan(drafts=tuple(drafts), left_out=tuple(left_out), pictures=tuple(pictures))


def write_plan(plan: Plan, *, overwrite: bool = False) -> list[Path]:
    """Write the drafts, all of them or none, and return their paths.

    Raises
    ------
    FaultList
        A file is in the way that no plan has written, or that was edited since; or it is one of the pictures.
    OutputError
        They cannot be written.
    """
    wanted = [(draft.path, is_sealed) for draft in plan.drafts]
    refuse_paths(wanted, reads=plan.pictures, overwrite=overwrite)
    for draft in plan.drafts:
        write_whole(draft.path, sealed(draft.text.encode("utf-8"), kind="toml"))
    return [draft.path for draft in plan.drafts]


def _read(path: Path) -> Frame:
    head, cards, told = peek(path), header_text(path), []
    kind = stated_kind(cards)
    if not kind:
        kind = kind_in(path.stem)
        told += [f"{path.name}: taken for a {kind}, by its name"] if kind else []
    target = cards.get("OBJECT", "").strip(" '")
    if not target and kind == "light":
        target = path.resolve().parent.name
        told.append(f"{path.name}: no OBJECT in the header; the target is called after its folder, {target}")
    told += [text for _, text in odd_card_note(head.facts, path.name)]
    return Frame(
        path=path, head=head, kind=kind, target=target, filter=head.facts.filter or "", told=tuple(told)
    )


def _draft(name: str, lights: Sequence[Frame], frames: Sequence[Frame], *, out: Path) -> Draft:
    notes: list[str] = [note for light in lights for note in light.told]
    roles: dict[str, list[Frame]] = {}
    for light in lights:
        roles.setdefault(_role(light, notes), []).append(light)
    masters: dict[str, dict[str, Any]] = {}
    for role, found in roles.items():
        if not role:
            continue
        if len(found) > 1:
            names = ", ".join(_relative(light.path, out) for light in found)
            notes.append(f"ambiguous: {role} could be any of {names}; none is taken")
            continue
        light = found[0]
        master, _, plane = role.partition(".")
        table = masters.setdefault(master, {})
        if plane:
            table.setdefault("light", {})[plane] = _relative(light.path, out)
        else:
            table["light"] = _relative(light.path, out)
            table.update(_calibration(role, light, frames, notes, out=out))
        if plane == "red" and not light.head.facts.taken_out:
            notes.append("rgb: one file a plane; calibration frames a plane are not paired, calibrate before")
    if "rgb" not in masters:
        notes.append("missing: no colour master (three planes, or red, green and blue filters)")
    if not set(masters) - {"rgb"}:
        notes.append("missing: no line master")
    head = "\n".join("# " + "".join(c if c.isprintable() else "?" for c in note) for note in notes)
    text = f"{head}\n{to_toml({'name': name, 'masters': masters})}"
    return Draft(path=out / f"{name}.target.toml", text=text, notes=tuple(notes))


def _role(light: Frame, notes: list[str]) -> str:
    """Return ``rgb``, ``rgb.red`` or a line's name, or nothing where the header does not tell."""
    if len(light.head.planes) == 3 and not light.filter:
        return "rgb"
    word = "".join(c for c in light.filter.lower() if c.isalnum())
    for line, words in LINES.items():
        if word in words:
            return line
    if len(light.head.planes) == 3:
        notes.append(f"{light.path.name}: three planes behind the filter {light.filter}; taken as rgb")
        return "rgb"
    for plane, words in PLANES.items():
        if word in words:
            return f"rgb.{plane}"
    line = next((line for line in LINES if f"-{line}-" in f"-{_kebab(light.path.stem)}-"), "")
    if not light.filter and line:
        notes.append(f"{light.path.name}: no FILTER in the header; taken for {line}, by its name")
        return line
    why = f"filter {light.filter} is no line that is known" if light.filter else "its filter is not stated"
    notes.append(f"left out: {light.path.name}, {why}")
    return ""


def _calibration(
    role: str, light: Frame, frames: Sequence[Frame], notes: list[str], *, out: Path
) -> Iterator[tuple[str, str]]:
    done = light.head.facts.taken_out
    if done:
        held = ", nor a dark, which holds the offset, too" if "bias" in done and "dark" not in done else ""
        notes.append(
            f"{role}: stacked with {' and '.join(done)}, as its header says; none is taken again{held}"
        )
    for kind in ("dark", "flat", "bias"):
        if kind in done or (kind == "dark" and "bias" in done):
            continue
        fits, reasons = [], []
        for frame in frames:
            planes = len(frame.head.planes)
            if frame.kind != kind or frame.head.shape != light.head.shape:
                continue
            if planes not in (1, len(light.head.planes)):
                continue
            if unlike := _unlike(kind, frame, light):
                reasons.append(f"{frame.path.name}: {unlike}")
            else:
                fits.append(frame)
        beside = [frame for frame in fits if frame.path.parent == light.path.parent]
        if len(fits) > 1 and len(beside) == 1:
            others = ", ".join(_relative(frame.path, out) for frame in fits if frame is not beside[0])
            notes.append(f"{role}.{kind}: the one beside the light is taken; {others} would fit too")
            fits = beside
        if len(fits) == 1:
            notes.append(f"{role}.{kind}: {fits[0].path.name}, {_why(kind, fits[0], light)}")
            notes += fits[0].told
            yield kind, _relative(fits[0].path, out)
        elif fits:
            names = ", ".join(_relative(frame.path, out) for frame in fits)
            notes.append(f"ambiguous: {role}.{kind} could be any of {names}; none is taken")
        elif kind != "bias" or reasons:
            why = "; ".join(reasons) or "none of that size"
            notes.append(f"missing: {role}.{kind} ({why})")


def _unlike(kind: str, frame: Frame, light: Frame) -> str:
    """Return why a frame does not belong to a light, or nothing where it may."""
    mine, theirs = frame.head.facts, light.head.facts
    if kind == "flat":
        if frame.filter and light.filter and frame.filter.lower() != light.filter.lower():
            return f"its filter is {frame.filter}, the light's {light.filter}"
        if len(frame.head.planes) != len(light.head.planes):
            return f"{len(frame.head.planes)} planes, the light has {len(light.head.planes)}"
        return ""
    if mine.iso and theirs.iso and mine.iso != theirs.iso:
        return f"its ISO is {mine.iso:g}, the light's {theirs.iso:g}"
    if kind == "dark":
        if mine.exposure_s and theirs.exposure_s:
            if abs(mine.exposure_s / theirs.exposure_s - 1.0) > EXPOSURE_SHARE:
                return f"exposed {mine.exposure_s:g} s, the light {theirs.exposure_s:g} s"
        else:
            return "its exposure or the light's is not stated"
        if mine.temperature_c is not None and theirs.temperature_c is not None:
            step = abs(mine.temperature_c - theirs.temperature_c)
            if step > STEP_C:
                return f"{mine.temperature_c:g} C, the light {theirs.temperature_c:g} C"
    return ""


def _why(kind: str, frame: Frame, light: Frame) -> str:
    rows, columns = frame.head.shape
    facts = [f"same size {columns} x {rows}"]
    if kind == "flat":
        facts.append(f"filter {frame.filter}" if frame.filter else "filter not stated")
    if kind == "dark" and frame.head.facts.exposure_s:
        facts.append(f"{frame.head.facts.exposure_s:g} s")
        warm, light_c = frame.head.facts.temperature_c, light.head.facts.temperature_c
        known = warm is not None and light_c is not None
        facts.append(f"{warm:g} C" if known else "temperature not stated in both")
    return ", ".join(facts)


def _relative(path: Path, out: Path) -> str:
    return Path(os.path.relpath(path.resolve(), out.resolve())).as_posix()


def _kebab(text: str) -> str:
    words = "".join(c if c.isascii() and c.isalnum() else " " for c in text.lower()).split()
    name = "-".join(words) or "target"
    return name if name[0].isalpha() else f"t-{name}"


def _unique(names: Sequence[str], index: int) -> str:
    before = names[:index].count(names[index])
    return names[index] + (f"-{before + 1}" if before else "")
