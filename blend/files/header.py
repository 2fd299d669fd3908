"""Headers of FITS files, parsed here card by card: one that makes no sense spoils nothing but what it would state.

References
----------
FITS Standard 4.0 (2018): sections 3.3 and 3.4 (HDUs in blocks of 2880 bytes), 4.1 and 4.2 (cards and their values),
4.2.1.2 (CONTINUE), appendix A (the same as a formal syntax).
"""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Any, BinaryIO

from blend.base.errors import InputError

BLOCK, CARD = 2880, 80
MOST_CARDS = 100_000
"""A stack of a thousand frames with a hundred lines of history each; read in a third of a second."""

_VALUE = re.compile(
    r" *+(?:'(?P<text>(?:[^']|'')*+)'|(?P<flag>[TF])|(?P<whole>[+-]?\d++)(?![.\dEDed])"
    r"|(?P<real>[+-]?(?:\d++\.?\d*+|\.\d++)(?:[EDed][+-]?\d++)?+)|(?P<pair>\([^()/']*\)))? *+(?:/.*)?"
)
_CONTINUED = re.compile(r"  *'((?:[^']|'')*+)'")
_WCS = re.compile(
    r"(WCSAXES|WCSNAME|CTYPE\d|CUNIT\d|CRVAL\d|CRPIX\d|CDELT\d|CROTA\d|CNAME\d|PC\d_\d|CD\d_\d|PV\d_\d+|PS\d_\d+"
    r"|LONPOLE|LATPOLE|RADESYS|RADECSYS|EQUINOX|EPOCH|SPECSYS|TIMESYS|MJDREF|OBSGEO-\w|REST(?:FRQ|FREQ|WAV)|NAXIS\d?"
    r"|MJD-\w+|DATE-\w+|[AB]P?_(ORDER|DMAX|\d_\d))[A-Z]?"
)


@dataclass(frozen=True, kw_only=True)
class Header:
    """The cards of one HDU."""

    path: Path  # the file, for faults
    # Texts, whole numbers, real numbers and truth values; None where a card states no value. Of a keyword that
    # stands several times the first. HISTORY and COMMENT are one text each, a card a line.
    cards: Mapping[str, Any]
    # keywords of cards whose value is none of the Standard's, and what stands there instead
    odd: Mapping[str, str]
    # keywords that stand several times with unlike values, which the Standard (4.1.2.1) leaves without a meaning
    clashes: Mapping[str, str]
    images: Mapping[str, str]  # the sound cards that world coordinates are made of, as they stand
    offset: int  # where the data begin

    def whole(self, key: str, default: int | None = None) -> int:
        """Return a whole number that the reading of the file depends on.

        Raises
        ------
        InputError
            The card holds something else, or is missing and there is no ``default``.
        """
        value = self.cards.get(key)
        if value is None and key not in self.odd and default is not None:
            return default
        if isinstance(value, float) and value.is_integer():
            return int(value)
        if isinstance(value, bool) or not isinstance(value, int):
            raise self._needed(key, "a whole number")
        return value

    def real(self, key: str, default: float) -> float:
        """Return a number that the meaning of the pixels depends on; faults as of `whole`.

        Raises
        ------
        InputError
            The card holds no number.
        """
        value = self.cards.get(key)
        if value is None and key not in self.odd:
            return default
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise self._needed(key, "a number")
        return float(value)

    def _needed(self, key: str, expected: str) -> InputError:
        if key in self.odd:
            found = f"its header card {key} is {self.odd[key]}"
        elif self.cards.get(key) is None:
            found = f"its header has no value for {key}"
        else:
            found = f"its header card {key} is {self.cards[key]!r}"
        advice = "mend the card, or stack it again: without it the pixels have no meaning"
        return InputError(str(self.path), found=found, expected=expected, advice=advice)

    @property
    def data_bytes(self) -> int:
        """Size of the HDU's data: |BITPIX| / 8 * GCOUNT * (PCOUNT + NAXIS1 * NAXIS2 * ...)."""
        lengths = [self.whole(f"NAXIS{number}") for number in range(1, self._axis_count("NAXIS") + 1)]
        count = math.prod(lengths) if lengths else 0
        groups = self.whole("GCOUNT", 1) * (self.whole("PCOUNT", 0) + count)
        return max(0, abs(self.whole("BITPIX")) * groups // 8)

    @property
    def axes(self) -> tuple[int, ...]:
        """Lengths of the picture's axes in numpy order; empty where the HDU is no picture."""
        is_image = "SIMPLE" in self.cards or str(self.cards.get("XTENSION", "")).strip() == "IMAGE"
        if not (self.is_compressed or is_image):
            return ()
        prefix = "Z" if self.is_compressed else ""
        count = self._axis_count(f"{prefix}NAXIS")
        axes = tuple(self.whole(f"{prefix}NAXIS{number}") for number in range(count, 0, -1))
        return axes if len(axes) >= 2 and all(length > 0 for length in axes) else ()

    @property
    def is_compressed(self) -> bool:
        """Whether the HDU is a table of compressed tiles."""
        return self.cards.get("ZIMAGE") is True

    def _axis_count(self, key: str) -> int:
        count = self.whole(key)
        if not 0 <= count <= 999:  # FITS Standard 4.0, section 4.4.1.1
            raise self._needed(key, "0 to 999")
        return count


def headers_of(path: Path) -> Iterator[Header]:
    """Yield the header of every HDU of a file; the data are stepped over.

    Compressed pictures are seen as the tables they are stored as: only so is their own size seen.

    Raises
    ------
    InputError
        A header has no end or too many cards, or its data have no size.
    """
    held = path.stat().st_size
    with path.open("rb") as file:
        place = 0
        while place < held:
            file.seek(place)
            raw = _read_cards(path, file)
            if place and not raw.startswith(b"XTENSION"):
                return
            header = _parsed(path, raw, offset=file.tell())
            yield header
            place = header.offset + -(-header.data_bytes // BLOCK) * BLOCK


def _read_cards(path: Path, file: BinaryIO) -> bytes:
    """Return the cards before END; the file stands behind the header's last block."""
    blocks: list[bytes] = []
    while len(blocks) * (BLOCK // CARD) <= MOST_CARDS:
        block = file.read(BLOCK)
        if len(block) < BLOCK:
            found = "the file is cut short: it ends within a header"
            expected = "a header that ends with the card END"
            raise InputError(str(path), found=found, expected=expected, advice="copy or stack it again")
        for start in range(0, BLOCK, CARD):
            if block[start : start + 8] == b"END     ":
                return b"".join([*blocks, block[:start]])
        blocks.append(block)
    found = f"its header goes on for more than {MOST_CARDS} cards"
    advice = "take out what no program reads, or stack it again"
    raise InputError(str(path), found=found, expected="fewer, and the card END behind them", advice=advice)


# a run asks for each header four times; a hundred thousand cards take a second
@lru_cache(maxsize=4)
def _parsed(path: Path, raw: bytes, *, offset: int) -> Header:
    text = raw.decode("latin-1").replace("\0", " ")
    cards: dict[str, Any] = {}
    odd: dict[str, str] = {}
    clashes: dict[str, str] = {}
    images: dict[str, str] = {}
    lines: dict[str, list[str]] = {"HISTORY": [], "COMMENT": []}
    long = ""
    for start in range(0, len(text), CARD):
        card = text[start : start + CARD]
        key = card[:8].rstrip().upper()
        if key in lines:
            lines[key].append(_decoded(card[8:].rstrip()))
        elif key == "CONTINUE" and long:
            long = _continue(cards, long, card)
        elif found := _statement(key, card):
            key, words = found
            value, is_sound = _value(words)
            if not is_sound:
                odd[key] = words.partition(" /")[0].strip()
            elif key in cards and not _same(cards[key], value):
                clashes[key] = f"{cards[key]!r} and {value!r}"
            else:
                cards[key] = value
                if _WCS.fullmatch(key):
                    images[key] = f"{key:<8}{card[8:]}"
            long = key if isinstance(value, str) and value.endswith("&") else ""
    cards |= {key: "\n".join(told) for key, told in lines.items() if told}
    return Header(path=path, cards=cards, odd=odd, clashes=clashes, images=images, offset=offset)


def _statement(key: str, card: str) -> tuple[str, str] | None:
    """Return keyword and value field of a card that states a value, else None; names stand without HIERARCH."""
    if card[8:9] == "=" and key:
        return key, card[9:]
    if "=" in key[1:]:  # a keyword of eight letters with its sign, or a sign that has slipped
        name, _, words = card.partition("=")
        return name.strip().upper(), words
    if key == "HIERARCH" and "=" in card:
        name, _, words = card[8:].partition("=")
        return " ".join(name.upper().split()), words
    return None


def _value(words: str) -> tuple[Any, bool]:
    """Return the value in a card's value field, and whether it is one at all."""
    match = _VALUE.fullmatch(words)
    if match is None:
        return None, False
    if match["text"] is not None:
        return _decoded(match["text"].replace("''", "'").rstrip()), True
    if match["whole"]:
        return int(match["whole"]), True
    if match["real"]:
        value = float(match["real"].upper().replace("D", "E"))
        return value, math.isfinite(value)
    return (match["flag"] == "T" if match["flag"] else match["pair"]), True


def _continue(cards: dict[str, Any], key: str, card: str) -> str:
    """Put a CONTINUE card behind the text it goes on with; return the keyword while it goes on further."""
    match = _CONTINUED.match(card[8:])
    if match is None:
        return ""
    cards[key] = cards[key][:-1] + _decoded(match[1].replace("''", "'").rstrip())
    return key if cards[key].endswith("&") else ""


def _decoded(text: str) -> str:
    """Return a text whose bytes stand as Latin-1: UTF-8 where it is, though the Standard allows ASCII alone."""
    if text.isascii():
        return text
    try:
        return text.encode("latin-1").decode("utf-8")
    except UnicodeDecodeError:
        return text


def _same(one: Any, other: Any) -> bool:
    return (type(one) is type(other) and one == other) or (one == other and not isinstance(one, bool | str))
