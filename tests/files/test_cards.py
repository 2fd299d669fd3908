"""Facts from header cards: what is stated, and None for what is absent or makes no sense."""

from __future__ import annotations

import math
from typing import Any

import pytest
from astropy.io.fits.card import Undefined

from blend.base.master import Facts
from blend.files.cards import degrees_of, facts_from_cards, stated_full_scale


@pytest.mark.parametrize(
    ("cards", "fact", "value"),
    [
        ({"EXPTIME": 300.0}, "exposure_s", 300.0),
        ({"EXPOSURE": 300}, "exposure_s", 300.0),
        ({"EXPTIME": -1.0, "EXPOSURE": 60.0}, "exposure_s", 60.0),
        ({"EXPTIME": "300"}, "exposure_s", None),
        ({"EXPTIME": True}, "exposure_s", None),
        ({"EXPTIME": Undefined()}, "exposure_s", None),
        ({"NCOMBINE": 24}, "frames", 24),
        ({"STACKCNT": 24.0}, "frames", 24),
        ({"NCOMBINE": 2.5}, "frames", None),
        ({"NCOMBINE": 0}, "frames", None),
        ({"CCD-TEMP": -10.0}, "temperature_c", -10.0),
        ({"SET-TEMP": -15.0}, "temperature_c", -15.0),
        ({"CCD-TEMP": -300.0}, "temperature_c", None),
        ({"ISOSPEED": 1600}, "iso", 1600.0),
        ({"GAIN": 120}, "gain_e", None),
        ({"EGAIN": 0.8}, "gain_e", 0.8),
        ({"EGAIN": 0.0}, "gain_e", None),
        ({"FILTER": " Ha "}, "filter", "Ha"),
        ({"FILTER": ""}, "filter", None),
        ({"FILTER": 3}, "filter", None),
        ({"DATE-OBS": "2024-09-18"}, "date_obs", "2024-09-18"),
        ({"DATE-OBS": "2024-09-18", "TIME-OBS": "22:10:05"}, "date_obs", "2024-09-18T22:10:05"),
        ({"DATE-OBS": "2024-19-18"}, "date_obs", None),
        ({"DATE-OBS": "18/09/99"}, "date_obs", None),
        ({"SITELAT": 45.5, "SITELONG": -7.25, "SITEELEV": 400}, "site", (45.5, -7.25, 400.0)),
        ({"LAT-OBS": "45 30", "LONG-OBS": "7:15 W", "ALT-OBS": 400}, "site", (45.5, -7.25, 400.0)),
        ({"SITELAT": 45.5, "SITELONG": -7.25}, "site", (45.5, -7.25, 0.0)),
        ({"SITELAT": 45.5}, "site", None),
        ({"OBSGEO-B": 45.5, "OBSGEO-L": -7.25, "OBSGEO-H": 12.0}, "site", (45.5, -7.25, 12.0)),
        (
            {"XY TEL GEOLAT": 37.2, "XY TEL GEOLON": -2.5, "XY TEL GEOELEV": 2168.0},
            "site",
            (37.2, -2.5, 2168.0),
        ),
        ({"RA": 179.5, "DEC": -53.25}, "pointing", (179.5, -53.25)),
        ({"RA": "11:58:00", "DEC": "-53:15:00"}, "pointing", (179.5, -53.25)),
        ({"OBJCTRA": "11 58 00", "OBJCTDEC": "+53 15 00"}, "pointing", (179.5, 53.25)),
        ({"RA": 400.0, "DEC": 10.0}, "pointing", None),
        ({"RA": 100.0, "DEC": "up"}, "pointing", None),
        ({"SITELAT": 95.5, "SITELONG": -7.25, "SITEELEV": 400}, "site", None),
        ({"TAKENOUT": "bias flat"}, "taken_out", ("bias", "flat")),
        ({"TAKENOUT": "lens flatter"}, "taken_out", ()),
        ({"TAKENOUT": 3}, "taken_out", ()),
        ({"ROWORDER": "top-down "}, "rows", "top-down"),
        ({"ROWORDER": "BOTTOM-UP"}, "rows", "bottom-up"),
        ({"ROWORDER": 7}, "rows", "bottom-up"),
    ],
)
def test_a_card_gives_its_fact(cards: dict[str, Any], fact: str, value: object) -> None:
    assert getattr(facts_from_cards(cards, full_scale=None), fact) == value


def test_no_cards_give_no_facts() -> None:
    assert facts_from_cards({}, full_scale=None) == Facts(rows="bottom-up", unit="adu")


def test_full_scale_is_stated_or_none() -> None:
    assert stated_full_scale({"SATURATE": 50000.0}, brightest=60000.0) == 50000.0
    assert stated_full_scale({"SATURATE": "high", "DATAMAX": 9.0}, brightest=8.0) == 9.0
    assert stated_full_scale({"DATAMAX": 9.0}, brightest=None) is None
    assert stated_full_scale({}, brightest=1.0) is None


@pytest.mark.parametrize("text", ["", "north", "12:75", "1 2 3 4", "--5"])
def test_text_that_is_no_angle(text: str) -> None:
    assert degrees_of(text) is None


def test_a_small_southern_angle_keeps_its_sign() -> None:
    assert degrees_of("-00 30 00") == -0.5


def test_a_stack_tells_the_noise_it_had_before_interpolation():
    cards = {"RNOIS1": 0.002, "RNOIS4": 0.0005, "GNOIS1": -1.0, "NOISE1": 0.003}
    noise = facts_from_cards(cards, full_scale=None).noise
    assert set(noise) == {"red", ""}
    assert noise["red"][1] == 0.002 and noise["red"][4] == 0.0005
    assert math.isnan(noise["red"][16])
