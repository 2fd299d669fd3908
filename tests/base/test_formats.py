"""The table of formats: every file once, and the picture to look at first."""

from __future__ import annotations

from blend.base.formats import FORMATS, picture_to_look_at


def test_no_file_belongs_to_two_formats() -> None:
    files = [name for entry in FORMATS.values() for name in (entry.file, *entry.beside)]
    assert len(files) == len(set(files))
    assert all(entry.name == name and entry.about for name, entry in FORMATS.items())


def test_the_first_that_is_there_is_looked_at() -> None:
    order = [entry.file for entry in FORMATS.values()]
    for first in range(len(order)):
        assert picture_to_look_at(reversed(order[first:])) == order[first]
    assert picture_to_look_at(["record.json"]) is None


def test_a_browser_gets_what_it_can_show() -> None:
    shown = {entry.file for entry in FORMATS.values() if entry.browser}
    data = [entry.file for entry in FORMATS.values() if not entry.browser]
    assert picture_to_look_at(data, browser=True) is None
    assert picture_to_look_at([*data, *shown], browser=True) in shown
