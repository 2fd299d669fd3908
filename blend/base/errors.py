"""Faults a user can meet: each says where, what was found, what was expected and what to do. Texts fit to be told."""

from __future__ import annotations

from collections.abc import Sequence

MOST_TOLD = 100
"""Faults of one file that are told one by one."""


def shortened(text: str, most: int) -> str:
    """Return a text with its middle left out where it is longer than ``most`` characters.

    Examples
    --------
    >>> shortened("abcdefghij", 7), shortened("abc", 7)
    ('ab...ij', 'abc')
    """
    half = (most - 3) // 2
    return text if len(text) <= most else f"{text[:half]}...{text[-half:]}"


def printable(text: str) -> str:
    """Return a text that can do nothing to a terminal: control characters become question marks.

    Examples
    --------
    >>> printable("a\\x1b[31mb")
    'a?[31mb'
    """
    return "".join(c if c.isprintable() or c == "\n" else "?" for c in text)


class BlendError(Exception):
    """A fault with an exit code.

    Parameters
    ----------
    where : str
        The file, or ``section.key`` of a recipe, or the step, that the fault belongs to.
    found : str
        What was there.
    expected : str, optional
        What would have been right.
    advice : str, optional
        What the user can do about it.

    Examples
    --------
    >>> print(InputError("ha.fits", found="the file is empty", advice="copy it again"))
    ha.fits: the file is empty. Do this: copy it again.
    """

    exit_code = 1

    def __init__(self, where: str, *, found: str, expected: str = "", advice: str = "") -> None:
        self.where = where
        self.found = found
        self.expected = expected
        self.advice = advice
        super().__init__(self.sentence())

    def sentence(self) -> str:
        """Return the fault as one line of plain text."""
        text = f"{shortened(self.where, 300)}: {shortened(self.found, 2000).rstrip('.')}"
        if self.expected:
            text += f"; expected {shortened(self.expected, 2000).rstrip('.')}"
        text += "."
        if self.advice.endswith("?"):
            text += f" {self.advice[0].upper()}{self.advice[1:]}"
        elif self.advice:
            text += f" Do this: {self.advice.rstrip('.')}."
        return text


class RecipeError(BlendError):
    """A recipe or target file, or a use of the command line, is wrong."""

    exit_code = 2


class Faults(BlendError):
    """Faults reported together, told one by one; the exit code is that of the gravest, a fault of a text first."""

    most_told: int | None = None

    def __init__(self, faults: Sequence[BlendError]) -> None:
        self.faults = tuple(faults)
        first = faults[0]
        super().__init__(first.where, found=first.found, expected=first.expected, advice=first.advice)
        self.exit_code = min(fault.exit_code for fault in faults)

    def __str__(self) -> str:
        lines = [fault.sentence() for fault in self.faults[: self.most_told]]
        if len(lines) < len(self.faults):
            lines.append(f"and {len(self.faults) - len(lines)} more.")
        return "\n".join(lines)


class FaultList(Faults, RecipeError):
    """Several faults of one recipe or target file, reported together."""

    most_told = MOST_TOLD


class InputError(BlendError):
    """An input file is missing, unreadable, of the wrong size, empty or already stretched."""

    exit_code = 3


class ArrayError(InputError, ValueError):
    """An array that was handed in cannot be taken; see `blend.base.arrays`."""


class StepError(BlendError):
    """A step could not do its work on sound input."""

    exit_code = 4


class OutputError(BlendError):
    """A result could not be written."""

    exit_code = 5
