"""The table of frames that a stack leaves: on screen, as JSON and as CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import asdict, dataclass, fields
from math import isfinite
from pathlib import Path
from typing import Any


@dataclass(frozen=True, kw_only=True)
class FrameRow:
    """What is told of one frame; None is not known or does not apply."""

    file: str
    kept: bool
    why: str = ""  # why it was left out
    level: float | None = None  # median of a calibration frame, or sky of a light in fractions of full scale
    noise: float | None = None  # of one photosite, before any interpolation
    fwhm_px: float | None = None
    stars: int | None = None
    # shift_x_px, shift_y_px, turn_deg and scale: how the frame's centre has to move to lie on the reference, and
    # how the frame turns and grows
    shift_x_px: float | None = None
    shift_y_px: float | None = None
    turn_deg: float | None = None
    scale: float | None = None
    flipped: bool | None = None  # turned by more than a quarter
    transparency: float | None = None  # star fluxes against those of the usual frame
    weight: float | None = None  # 1 for the best
    rejected_share: float | None = None  # share of its values that were rejected
    # cosmic rays that were filled in it; looked for where too few frames are stacked to clip them
    rays: int | None = None


def as_json(rows: Sequence[FrameRow]) -> list[dict[str, Any]]:
    """Return rows as plain values; what is not finite is None."""
    return [{key: _plain(value) for key, value in asdict(row).items()} for row in rows]


def as_csv(rows: Sequence[FrameRow]) -> str:
    """Return rows as CSV with a head line."""
    text = io.StringIO()
    names = [item.name for item in fields(FrameRow)]
    writer = csv.DictWriter(text, names, lineterminator="\n")
    writer.writeheader()
    for row in as_json(rows):
        writer.writerow({key: "" if value is None else value for key, value in row.items()})
    return text.getvalue()


def as_text(rows: Sequence[FrameRow], *, kind: str, out: Path, facts: Mapping[str, Any]) -> str:
    """Return rows as a table with a line about the master beneath."""
    columns = _LIGHT if kind == "light" else _CALIBRATION
    table = [[head for head, _ in columns]]
    table += [[tell(row) for _, tell in columns] for row in rows]
    widths = [max(len(line[place]) for line in table) for place in range(len(columns))]
    lines = []
    for line in table:
        cells = [
            cell.ljust(widths[0]) if n == 0 else cell.rjust(widths[n]) for n, cell in enumerate(line[:-1])
        ]
        lines.append("  ".join([*cells, line[-1]]).rstrip())
    left = facts.get("left_out", 0)
    frames = facts["frames"]
    tail = f"{frames} frame{'s' if frames > 1 else ''} stacked" + (f", {left} left out" if left else "")
    lines.append(f"{tail}; {100 * facts['rejected_share']:.2f} % of their values rejected; written to {out}")
    return "\n".join(lines)


def _plain(value: Any) -> Any:
    return None if isinstance(value, float) and not isfinite(value) else value


def _number(value: float | None, form: str) -> str:
    return "-" if value is None or not isfinite(value) else format(value, form)


def _verdict(row: FrameRow) -> str:
    flip = " flipped" if row.flipped else ""
    return f"kept{flip}" if row.kept else f"left out: {row.why}"


def _shift(row: FrameRow) -> str:
    if row.shift_x_px is None or row.shift_y_px is None:
        return "-"
    return f"{row.shift_x_px:+.2f} {row.shift_y_px:+.2f}"


_CALIBRATION = (
    ("frame", lambda r: Path(r.file).name),
    ("level", lambda r: _number(r.level, ".6g")),
    ("noise", lambda r: _number(r.noise, ".4g")),
    ("rejected", lambda r: _number(None if r.rejected_share is None else 100 * r.rejected_share, ".2f")),
    ("", _verdict),
)
_LIGHT = (
    ("frame", lambda r: Path(r.file).name),
    ("sky", lambda r: _number(r.level, ".5f")),
    ("noise", lambda r: _number(r.noise, ".2e")),
    ("FWHM", lambda r: _number(r.fwhm_px, ".2f")),
    ("stars", lambda r: "-" if r.stars is None else str(r.stars)),
    ("shift px", _shift),
    ("turn", lambda r: _number(r.turn_deg, ".2f")),
    ("clear", lambda r: _number(r.transparency, ".3f")),
    ("weight", lambda r: _number(r.weight, ".3f")),
    ("rays", lambda r: "-" if r.rays is None else str(r.rays)),
    ("rejected", lambda r: _number(None if r.rejected_share is None else 100 * r.rejected_share, ".2f")),
    ("", _verdict),
)
