"""Header cards to facts. A card that is absent or makes no sense leaves the fact None; nothing is guessed."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from datetime import datetime
from types import MappingProxyType
from typing import Any

from blend.base.master import Facts

_CELESTIAL = re.compile(r"RA--|DEC-|[A-Z]L(ON|AT)|[A-Z]{2}L[NT]")
"""How CTYPE begins on a celestial axis: Calabretta & Greisen (2002), A&A 395, 1077 (from memory)."""

FRAME_KINDS = ("flat-dark", "light", "dark", "flat", "bias")

MOST_TOLD = 4
"""Odd cards that a note shows."""

_LATITUDE = ("SITELAT", "LAT-OBS", "OBSLAT", "OBS-LAT", "OBSGEO-B")
_LONGITUDE = ("SITELONG", "LONG-OBS", "OBSLONG", "OBS-LONG", "OBSGEO-L")
_ELEVATION = ("SITEELEV", "ALT-OBS", "OBSALT", "OBS-ELEV", "OBSGEO-H")
"""Of these the FITS Standard 4.0 reserves OBSGEO; the others are common practice."""
_LEAST = {
    **dict.fromkeys(("EXPTIME", "EXPOSURE", "NCOMBINE", "STACKCNT", "NSTACK", "NIMAGES"), 0.0),
    **dict.fromkeys(("ISO", "ISOSPEED", "EGAIN", "SATURATE"), 0.0),
    **dict.fromkeys(("CCD-TEMP", "SET-TEMP"), -273.15),
    **dict.fromkeys(_ELEVATION, -500.0),
    **dict.fromkeys(("DATAMAX", *_LATITUDE, *_LONGITUDE), -math.inf),
}
"""The cards that facts are taken from as numbers, and the least that each can be."""
_READ = frozenset(("DATE-OBS", "FILTER", "ROWORDER", "IMAGETYP", "OBJECT", "BAYERPAT", "BLANK"))
_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:e[+-]?\d+)?")
_NO_VALUE = frozenset(("", "n/a", "na", "none", "null", "unknown", "undefined", "-", "--", "?"))

_ANGLE = re.compile(
    r"^\s*([+-]?)(\d+(?:\.\d*)?)(?:[\s:d°]+(\d+(?:\.\d*)?))?(?:[\s:m']+(\d+(?:\.\d*)?))?[\s\"s]*([NSEW]?)\s*$"
)


def states_coordinates(cards: Mapping[str, Any]) -> bool:
    """Return whether cards speak of places in the sky; whether these can be used is another question.

    Examples
    --------
    >>> states_coordinates({"CTYPE1": "RA---TAN", "CTYPE2": "DEC--TAN"}), states_coordinates({"CTYPE1": "PIXEL"})
    (True, False)
    """
    return any(_CELESTIAL.match(str(cards.get(f"CTYPE{axis}", ""))) for axis in (1, 2, 3))


def facts_from_cards(cards: Mapping[str, Any], *, full_scale: float | None, wcs: Any = None) -> Facts:
    """Return the facts that FITS header cards state.

    Parameters
    ----------
    cards : mapping
        Keyword to value.
    full_scale : float or None
        In the file's unit, from the depth of its integers or a card; see `stated_full_scale`.
    wcs : astropy.wcs.WCS or None

    Notes
    -----
    Of these keywords the FITS Standard reserves only DATE-OBS and OBSGEO; the others are in common use (HEASARC list of
    commonly used keywords, and common practice of camera control). EGAIN is electrons a count; GAIN is often a camera's
    setting and is left alone. A site needs latitude and longitude; its height is 0 where none is stated. RA and DEC (or
    OBJCTRA, OBJCTDEC) are degrees as numbers, hours and degrees as text. OFFSOUT and TAKENOUT are our own cards: T in a
    flat whose frames were taken less their dark or bias, and which of dark, bias and flat the frames of a light had.

    Examples
    --------
    >>> facts = facts_from_cards({"EXPTIME": 300.0, "CCD-TEMP": "cold", "NCOMBINE": -2}, full_scale=65535.0)
    >>> facts.exposure_s, facts.temperature_c, facts.frames, facts.rows
    (300.0, None, None, 'bottom-up')
    """
    order = cards.get("ROWORDER")
    top_down = isinstance(order, str) and order.strip().upper() == "TOP-DOWN"
    return Facts(
        exposure_s=number(cards, "EXPTIME", "EXPOSURE", low=0.0),
        frames=_count(cards, "NCOMBINE", "STACKCNT", "NSTACK", "NIMAGES"),
        temperature_c=number(cards, "CCD-TEMP", "SET-TEMP", low=-273.15, high=150.0),
        iso=number(cards, "ISO", "ISOSPEED", low=1.0),
        gain_e=_positive(cards, "EGAIN"),
        full_scale=full_scale,
        unit="adu",
        date_obs=_date(cards),
        filter=_text(cards, "FILTER"),
        site=_site(cards),
        pointing=_pointing(cards),
        wcs=wcs,
        offset_out=True if cards.get("OFFSOUT") is True else None,
        taken_out=tuple(
            kind for kind in ("dark", "bias", "flat") if kind in (_text(cards, "TAKENOUT") or "").split()
        ),
        rows="top-down" if top_down else "bottom-up",
        noise=_noise(cards),
        saturation=_saturation(cards),
    )


def cards_of_facts(facts: Facts) -> dict[str, Any]:
    """Return the cards that state facts of pixels in their own unit; `facts_from_cards` gives the facts back.

    Pixels without a unit are fractions: their full scale is 1, and electrons a count become electrons of full scale.

    Examples
    --------
    >>> cards = cards_of_facts(Facts(exposure_s=300.0, full_scale=65535.0, gain_e=0.5, noise={"ha": {1: 0.01}}))
    >>> cards["EXPTIME"], cards["SATURATE"], cards["EGAIN"], cards["NOISE1"]
    (300.0, 1.0, 32767.5, 0.01)
    """
    counts = 1.0 if facts.unit else facts.full_scale or 1.0
    cards: dict[str, Any] = {
        "EXPTIME": facts.exposure_s,
        "NCOMBINE": facts.frames,
        "CCD-TEMP": facts.temperature_c,
        "ISO": facts.iso,
        "EGAIN": None if facts.gain_e is None else facts.gain_e * counts,
        "SATURATE": None if facts.full_scale is None else facts.full_scale / counts,
        "DATE-OBS": facts.date_obs,
        "FILTER": facts.filter,
        "OFFSOUT": facts.offset_out,
        "TAKENOUT": " ".join(facts.taken_out) or None,
        **cards_of_place(facts),
    }
    first = {"red": "R", "green": "G", "blue": "B"}
    for plane, known in facts.noise.items():
        word = f"{first[plane]}NOIS" if plane in first else "NOISE"
        cards |= {f"{word}{size}": sigma for size, sigma in known.items()}
    for plane, level in facts.saturation.items():
        cards[f"{first.get(plane, '')}SATLEV"] = level
    return cards


def cards_of_place(facts: Facts) -> dict[str, Any]:
    """Return the cards that state where the telescope stood and what it pointed at, both in degrees.

    Examples
    --------
    >>> cards_of_place(Facts(site=(50.1, 8.7, 120.0)))
    {'SITELAT': 50.1, 'SITELONG': 8.7, 'SITEELEV': 120.0, 'RA': None, 'DEC': None}
    """
    latitude, longitude, height = facts.site or (None, None, None)
    ra, dec = facts.pointing or (None, None)
    return {"SITELAT": latitude, "SITELONG": longitude, "SITEELEV": height, "RA": ra, "DEC": dec}


def odd_cards(
    cards: Mapping[str, Any], *, odd: Mapping[str, str], clashes: Mapping[str, str]
) -> tuple[str, ...]:
    """Return the cards that make no sense, as they stand.

    Parameters
    ----------
    cards : mapping
        The sound ones. One that facts are taken from may hold a text where a number belongs, a negative exposure, or a
        date that is none; an empty text, or one like "n/a", says that there is no value, and a number
        in quotes is no fact, but sense.
    odd : mapping of str to str
        Keyword to what stands in place of a value.
    clashes : mapping of str to str
        Keyword to the unlike values that it stands with; told where a fact hangs on it.

    Examples
    --------
    >>> odd_cards({"EXPTIME": "long", "ISO": -1, "FILTER": "n/a"}, odd={"GAIN": "1.2e"}, clashes={})
    ('GAIN = 1.2e', "EXPTIME = 'long'", 'ISO = -1')
    """
    told = [f"{key} = {words[:40] or 'nothing'}" for key, words in odd.items()]
    told += [f"{key} = {words[:80]}" for key, words in clashes.items() if key in _LEAST or key in _READ]
    told += [f"{key} = {cards[key]!r:.60}" for key in _LEAST if _is_no_number(cards.get(key), key)]
    date = _text(cards, "DATE-OBS")
    old = date is not None and re.fullmatch(
        r"\d\d/\d\d/\d\d", date
    )  # of the years 1900 to 1999, says the Standard
    if date is not None and not old and date.casefold() not in _NO_VALUE and _date(cards) is None:
        told.append(f"DATE-OBS = {date!r:.60}")
    return tuple(told)


def odd_card_note(facts: Facts, name: str) -> list[tuple[str, str]]:
    """Return the warning about a file's cards that make no sense, in a list; empty where all do."""
    odd = facts.odd_cards
    if not odd:
        return []
    shown = ", ".join(odd[:MOST_TOLD]) + (f" and {len(odd) - MOST_TOLD} more" * (len(odd) > MOST_TOLD))
    what = "a header card makes" if len(odd) == 1 else f"{len(odd)} header cards make"
    return [("odd-card", f"{name}: {what} no sense and what it states is taken as unknown: {shown}")]


def _is_no_number(value: Any, key: str) -> bool:
    """Whether a card that facts are taken from holds something that can be no value of it; 0 may say: unknown."""
    if value is None or value == 0:
        return False
    if isinstance(value, str):
        plain = value.strip().casefold()
        stated = _NUMBER.fullmatch(plain) or (
            key in (*_LATITUDE, *_LONGITUDE) and degrees_of(value) is not None
        )
        return plain not in _NO_VALUE and not stated
    return isinstance(value, bool) or not isinstance(value, int | float) or value < _LEAST[key]


def stated_kind(cards: Mapping[str, Any]) -> str:
    """Return which kind of frame a header says it is, one of `FRAME_KINDS`; empty where it does not.

    IMAGETYP (and FRAME, which some programs write) is common practice; no standard lists its values.
    """
    return kind_in(f"{cards.get('IMAGETYP', '')} {cards.get('FRAME', '')}")


def kind_in(words: str) -> str:
    """Return the first of `FRAME_KINDS` that some words name; empty where they name none."""
    plain = words.lower().replace("_", "-").replace(" ", "-")
    return next((kind for kind in FRAME_KINDS if kind in plain), "")


def _noise(cards: Mapping[str, Any]) -> Mapping[str, Mapping[int, float]]:
    """Return the noise of block means that a stack states, as measured before its pixels were interpolated.

    RNOIS1, GNOIS4 ... of a colour stack, NOISE1 ... of a line's, in the file's unit: cards of our own. The name of a
    line's only plane is "".
    """
    found = {}
    for plane, letter in (("red", "RNOIS"), ("green", "GNOIS"), ("blue", "BNOIS"), ("", "NOISE")):
        sigmas = {size: _positive(cards, f"{letter}{size}") for size in (1, 4, 16, 64)}
        if sigmas[1] is not None:
            found[plane] = {size: math.nan if sigma is None else sigma for size, sigma in sigmas.items()}
    return MappingProxyType(found)


def _saturation(cards: Mapping[str, Any]) -> Mapping[str, float]:
    """Return the least value that a saturated photosite took in a stack's planes, where it states that.

    RSATLEV, GSATLEV, BSATLEV of a colour stack, SATLEV of a line's, in the file's unit: cards of our own.
    """
    words = {"red": "RSATLEV", "green": "GSATLEV", "blue": "BSATLEV", "": "SATLEV"}
    told = {plane: _positive(cards, word) for plane, word in words.items()}
    return MappingProxyType({plane: level for plane, level in told.items() if level is not None})


def stated_full_scale(cards: Mapping[str, Any], *, brightest: float | None) -> float | None:
    """Return the level of full scale that a header states, in the file's unit.

    SATURATE is taken as it stands. DATAMAX is the largest valid value (FITS Standard 4.0, section 4.4.2.5);
    where a program wrote the brightest pixel there it is no full scale, so it counts only above that.

    Parameters
    ----------
    cards : mapping
    brightest : float or None
        The brightest pixel of the picture; None where no pixel was read, and DATAMAX does not count then.

    Examples
    --------
    >>> stated_full_scale({"DATAMAX": 65535.0}, brightest=48000.0)
    65535.0
    >>> stated_full_scale({"DATAMAX": 48000.0}, brightest=48000.0) is None
    True
    """
    saturate = _positive(cards, "SATURATE")
    if saturate is not None:
        return saturate
    largest = _positive(cards, "DATAMAX")
    if largest is None or brightest is None or not largest > brightest * (1.0 + 1e-6):
        return None
    return largest


def number(
    cards: Mapping[str, Any], *keys: str, low: float = -math.inf, high: float = math.inf
) -> float | None:
    """Return the first of ``keys`` that holds a number within limits, else None; text is no number."""
    for key in keys:
        value = cards.get(key)
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            continue
        if math.isfinite(value) and low <= value <= high:
            return float(value)
    return None


def _positive(cards: Mapping[str, Any], *keys: str) -> float | None:
    value = number(cards, *keys, low=0.0)
    return value if value else None


def _count(cards: Mapping[str, Any], *keys: str) -> int | None:
    value = number(cards, *keys, low=1.0, high=1e7)
    return int(value) if value is not None and value == int(value) else None


def _text(cards: Mapping[str, Any], key: str) -> str | None:
    value = cards.get(key)
    return value.strip() or None if isinstance(value, str) else None


def _date(cards: Mapping[str, Any]) -> str | None:
    date = _text(cards, "DATE-OBS")
    if date is None or not re.match(r"\d{4}-\d\d-\d\d", date):
        return None
    time = _text(cards, "TIME-OBS")
    if len(date) == 10 and time is not None and _is_date(f"{date}T{time}"):
        date = f"{date}T{time}"
    return date if _is_date(date) else None


def _is_date(text: str) -> bool:
    try:
        datetime.fromisoformat(text)
    except ValueError:
        return False
    return True


def _site(cards: Mapping[str, Any]) -> tuple[float, float, float] | None:
    # Observatories keep theirs in cards like HIERARCH XXX TEL GEOLAT (common practice).
    far = {key.split()[-1]: key for key in cards if " TEL GEO" in key}
    latitude = _angle(cards, *_LATITUDE, far.get("GEOLAT", ""), limit=90.0)
    longitude = _angle(cards, *_LONGITUDE, far.get("GEOLON", ""), limit=360.0)
    elevation = number(cards, *_ELEVATION, far.get("GEOELEV", ""), low=-500.0, high=9000.0)
    if latitude is None or longitude is None:
        return None
    return (latitude, longitude, elevation or 0.0)


def _pointing(cards: Mapping[str, Any]) -> tuple[float, float] | None:
    for ra_key, dec_key in (("RA", "DEC"), ("OBJCTRA", "OBJCTDEC")):
        ra, dec = number(cards, ra_key, low=0.0, high=360.0), _angle(cards, dec_key, limit=90.0)
        if ra is None and isinstance(cards.get(ra_key), str):
            hours = degrees_of(cards[ra_key])
            ra = None if hours is None or not 0.0 <= hours <= 24.0 else 15.0 * hours
        if ra is not None and dec is not None:
            return (ra, dec)
    return None


def _angle(cards: Mapping[str, Any], *keys: str, limit: float) -> float | None:
    plain = number(cards, *keys, low=-limit, high=limit)
    if plain is not None:
        return plain
    for key in keys:
        value = degrees_of(cards[key]) if isinstance(cards.get(key), str) else None
        if value is not None and abs(value) <= limit:
            return value
    return None


def degrees_of(text: str) -> float | None:
    """Return degrees from text, decimal or sexagesimal, with a sign or a letter for the hemisphere.

    Examples
    --------
    >>> degrees_of("-45 30 00"), degrees_of("12:15"), degrees_of("70 24 W"), degrees_of("somewhere")
    (-45.5, 12.25, -70.4, None)
    """
    match = _ANGLE.match(text)
    if match is None:
        return None
    sign, whole, minutes, seconds, letter = match.groups()
    if float(minutes or 0) >= 60.0 or float(seconds or 0) >= 60.0:
        return None
    value = float(whole) + float(minutes or 0) / 60.0 + float(seconds or 0) / 3600.0
    return -value if (sign == "-") != (letter in ("S", "W")) else value
