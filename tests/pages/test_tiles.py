"""The strip of tiles and the word for a whole run, from a record alone."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from blend.pages.tiles import tiles
from blend.pages.verdict import run_state, verdict

SOUND: dict[str, Any] = {
    "register": {
        "ha": {
            "matched": 118,
            "rms_px": 0.0568,
            "by": "stars",
            "matrix": [[1.1, 0.0, 3.0], [0.0, 1.1, 4.0], [0.0, 0.0, 1.0]],
            "error_px": {"centre": 0.01, "worst": 0.02},
        }
    },
    "gradient": {"rgb": {"red": {"slope_left_sigma": 0.001}}},
    "continuum": {
        "ha": {
            "scale": 0.2,
            "error": 0.002,
            "stars": 81,
            "how": "stars",
            "light": "H-alpha",
            "line_light": {"found": True, "share": 0.126, "held_back": 0.08},
        }
    },
    "masters": {
        "rgb": {"fwhm_px": 3.02, "fwhm_error_px": 0.02},
        "ha": {"fwhm_px": 3.43, "fwhm_error_px": 0.03},
    },
    "blend": {"red": {"from": "ha.emission", "into": "red", "amount": 0.5, "line_contrast": 1.5}},
    "stretch": {},
    "star_tint": {"stars": 292, "median": 0.0003, "p95": 0.1, "error": 0.001},
    "picture": {
        "sky": {
            "gradient": 0.8,
            "gradient_error": 0.2,
            "chroma": 0.3,
            "chroma_error": 0.1,
            "levels": {"red": [0.1, 0.001], "green": [0.1, 0.001], "blue": [0.1, 0.001]},
            "cells": 200,
        },
        "added": {"ha": {"share": 0.6, "error": 0.02}},
    },
    "clipped": {"black": 0.0, "white": 0.0},
    "worth": {"ha": {"exposure_factor": 4.6, "error": 0.05, "into": "red"}},
    "warnings": [],
}


def with_(path: str, value: Any) -> dict[str, Any]:
    """Return the sound record with one value in another's place."""
    record = copy.deepcopy(SOUND)
    *folders, last = path.split("/")
    place = record
    for folder in folders:
        place = place[folder]
    place[last] = value
    return record


def tile(record: dict[str, Any], what: str) -> Any:
    return next(tile for tile in tiles(record) if tile.what.startswith(what))


def test_a_sound_run_is_fine_and_every_tile_has_its_number() -> None:
    assert run_state(SOUND) == "fine"
    shown = {tile.what: tile.number for tile in tiles(SOUND)}
    assert shown == {
        "Alignment": "0.06 +- 0.02 px",
        "Residual gradient": "0.8 +- 0.2",
        "H-alpha added": "30.0 +- 1.0 %",
        "Star colour shift": "< 0.01",
        "Sky neutral": "0.3 +- 0.1",
        "Star width": "3.02 +- 0.02, 3.77 +- 0.03 px",
        "Worth": "4.6 +- 0.2 x",
        "Assumed": "nothing",
    }
    assert all(tile.mark == "fine" for tile in tiles(SOUND))
    assert [bar[0] for bar in tile(SOUND, "Sky neutral").bars] == ["red", "green", "blue"]


@pytest.mark.parametrize(
    ("path", "value", "what", "mark"),
    [
        ("register/ha/rms_px", 0.5, "Alignment", "look"),
        ("register/ha/error_px", {"centre": 0.1, "worst": 1.4}, "Alignment", "wrong"),
        ("picture/sky/gradient", 4.0, "Residual gradient", "look"),
        ("picture/sky/gradient", 12.0, "Residual gradient", "wrong"),
        ("picture/sky/chroma", 3.0, "Sky neutral", "look"),
        ("continuum/ha/error", 0.03, "H-alpha", "look"),
        ("continuum/ha/error", 0.06, "H-alpha", "wrong"),
        ("star_tint/median", 1.2, "Star colour shift", "look"),
        ("masters/ha/fwhm_px", 8.0, "Star width", "look"),
        ("worth/ha/exposure_factor", 0.8, "Worth", "look"),
        ("warnings", [{"code": "width-assumed", "text": "7 nm"}], "Assumed", "look"),
    ],
)
def test_a_number_beyond_its_limit_makes_the_run_one_to_look_at(
    path: str, value: Any, what: str, mark: str
) -> None:
    record = with_(path, value)
    assert tile(record, what).mark == mark
    assert run_state(record) == "look"


def test_what_its_error_brings_within_the_limit_is_no_finding() -> None:
    record = with_("picture/sky/gradient", 3.0)
    record["picture"]["sky"]["gradient_error"] = 0.5
    assert tile(record, "Residual gradient").mark == "fine" and run_state(record) == "fine"


def test_what_cannot_be_measured_says_so_and_accuses_nobody() -> None:
    record = with_("picture", {"sky": None, "added": {}})
    record["star_tint"] = {"stars": 0, "median": None, "p95": None, "error": None}
    assert tile(record, "Residual gradient").word == tile(record, "Star colour").word == "not judged"
    assert run_state(record) == "fine"


def test_where_the_sky_is_uncertain_it_is_not_judged() -> None:
    record = with_("warnings", [{"code": "sky-uncertain", "text": "too little of the frame"}])
    record["picture"]["sky"] |= {"gradient": 12.0, "chroma": 9.0}
    shown = [tile(record, what) for what in ("Residual gradient", "Sky neutral")]
    assert [(one.word, one.number) for one in shown] == [
        ("not judged", "12.0 +- 0.2"),
        ("not judged", "9.0 +- 0.1"),
    ]


def test_a_warning_alone_is_to_look_at_and_an_older_record_is_read() -> None:
    assert run_state(with_("warnings", [{"code": "hot-pixels", "text": "many"}])) == "look"
    noisy = {"bound": "noise", "level": 0.8, "wanted": 0.85, "needed": 0.1}
    for level, state in ((0.8, "fine"), (0.4, "look")):
        dim = with_("stretch", {"rgb": {"target": {**noisy, "level": level}}})
        dim["target_light"] = {"light": 0.1, "signal_to_noise": 40.0, "stars": False}
        assert run_state(dim) == state
    old = {key: value for key, value in SOUND.items() if key not in ("picture", "worth")}
    assert run_state(old) == "fine" and len(tiles(old)) == 7


def test_a_shift_by_edges_is_not_called_one_grid() -> None:
    entry = {
        **SOUND["register"]["ha"],
        "matched": 0,
        "by": "structure",
        "error_px": {"centre": 0.2, "worst": 0.4},
    }
    record = with_("register/ha", entry)
    found = tile(record, "Alignment")
    assert (found.number, found.mark) == ("+- 0.40 px", "look")
    line = next(line for line in verdict({**record, "star_tint": None}) if line.what == "Registration")
    assert line.text == "ha shifted by its edges alone, no star checks it; its quarters agree to 0.40 px"
    assert not line.good


def test_a_line_in_two_planes_is_not_counted_twice() -> None:
    blend = {"from": "ha.emission", "amount": 0.5, "line_contrast": 1.5}
    record = with_("blend", {"green": blend | {"into": "green"}, "blue": blend | {"into": "blue"}})
    assert tile(record, "H-alpha").number == "30.0 +- 1.0 %"
    record = with_("blend", {"first": blend | {"into": "red"}, "second": blend | {"into": "red"}})
    assert tile(record, "H-alpha").number == "60 +- 2 %"
