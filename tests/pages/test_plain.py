"""A page that cannot be drawn: a plain one says why, and faults of the disk are not taken for it."""

from __future__ import annotations

from typing import NoReturn

import pytest

from blend.base.errors import OutputError
from blend.pages.plain import drawn_or_why, page_or_plain


def broken() -> NoReturn:
    raise ZeroDivisionError("a < b\nin two lines")


def test_a_page_that_is_drawn_is_given_as_it_is() -> None:
    assert page_or_plain(lambda: "<p>whole", title="t", beside="all") == ("<p>whole", "")


def test_a_plain_page_says_what_and_where() -> None:
    page, reason = page_or_plain(broken, title="report of <m51>", beside="the pictures")
    assert reason.startswith("ZeroDivisionError: a < b in two lines (test_plain.py, line ")
    assert reason.endswith("; the pictures are whole")
    assert "report of &lt;m51&gt;" in page and "a &lt; b in two lines" in page and "<m51>" not in page


def test_a_full_disk_is_no_fault_of_the_drawing() -> None:
    def full() -> NoReturn:
        raise OutputError("out", found="no room", advice="make some")

    with pytest.raises(OutputError):
        drawn_or_why(full)
