"""Numbers of the command line: finite, and within their range."""

from __future__ import annotations

import click
import pytest

from blend.app.cli.words import Number


@pytest.mark.parametrize(("word", "value"), [("2", 2.0), ("2.5e1", 25.0), (" 7 ", 7.0)])
def test_finite_numbers_pass(word: str, value: float) -> None:
    assert Number(min=2.0).convert(word, None, None) == value


@pytest.mark.parametrize("word", ["nan", "inf", "-inf", "1e999", "1.9", "two", ""])
def test_the_rest_does_not(word: str) -> None:
    with pytest.raises(click.BadParameter):
        Number(min=2.0).convert(word, None, None)
