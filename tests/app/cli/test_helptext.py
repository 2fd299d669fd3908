"""Help by task: every command and option once and whole, and of frames only what their kind needs."""

from __future__ import annotations

import re

import click
import pytest
from click.testing import CliRunner

from blend.app.cli.commands import blend
from blend.app.cli.helptext import COMMANDS, NOT_FOR, OPTIONS


def shown(*words: str) -> str:
    done = CliRunner().invoke(blend, list(words))
    assert done.exit_code == 0, done.output
    return done.output


def test_every_command_stands_under_one_task_and_none_is_cut() -> None:
    listed = [name for names in COMMANDS.values() for name in names]
    assert len(listed) == len(set(listed)) and set(blend.commands) <= set(listed)
    text = shown("--help")
    assert "..." not in text.split("Commands", 1)[-1].split("COMMAND [ARGS]...", 1)[-1]
    for name, command in blend.commands.items():
        assert len(re.findall(rf"^  {name}  ", text, re.MULTILINE)) == 1
        last = (command.help or "").split("\n\n")[0].split()[-1]
        assert last in text


def test_an_option_stands_under_one_heading() -> None:
    names = [name for group in OPTIONS.values() for name in group]
    assert len(names) == len(set(names))


@pytest.mark.parametrize("name", list(blend.commands))
def test_a_commands_help_has_every_option_once(name: str) -> None:
    text = shown(name, "--help")
    for option in blend.commands[name].params:
        if isinstance(option, click.Option) and not option.hidden:
            assert len(re.findall(rf"^  (?:-\w, )?{option.opts[-1]}\b(?!-)", text, re.MULTILINE)) == 1, (
                option.opts
            )


@pytest.mark.parametrize("kind", list(NOT_FOR))
def test_frames_are_told_what_their_kind_needs(kind: str) -> None:
    text = shown("stack", kind, "--help")
    params = {option.name: option.opts[-1] for option in blend.commands["stack"].params}
    for option in NOT_FOR[kind]:
        assert params[option] not in text
    for option in ("--out", "--method", "--threads", *(("--flat", "--demosaic") if kind == "light" else ())):
        assert option in text
