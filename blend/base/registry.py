"""Tables of named things, with near-miss suggestions when a name is not in one."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from difflib import get_close_matches
from typing import Protocol, TypeVar

from blend.base.errors import RecipeError


class Named(Protocol):
    """Anything with a name."""

    @property
    def name(self) -> str:
        """The name it is looked up by."""


Entry = TypeVar("Entry", bound=Named)


class Registry(Mapping[str, Entry]):
    """An immutable table of entries by name.

    Examples
    --------
    >>> from types import SimpleNamespace
    >>> table = Registry("formula", [SimpleNamespace(name="screen"), SimpleNamespace(name="mean")])
    >>> list(table)
    ['screen', 'mean']
    >>> table
    <2 entries of the formula table: screen, mean>
    >>> try:
    ...     table.find("scren", where="blend.red.formula")
    ... except RecipeError as fault:
    ...     print(fault.found, "|", fault.advice)
    no formula is called 'scren' | did you mean 'screen'?
    """

    def __init__(self, kind: str, entries: list[Entry]) -> None:
        self.kind = kind
        self._entries = {entry.name: entry for entry in entries}
        if len(self._entries) != len(entries):
            raise ValueError(f"two entries of the {kind} table share a name")

    def __getitem__(self, name: str) -> Entry:
        return self._entries[name]

    def __iter__(self) -> Iterator[str]:
        return iter(self._entries)

    def __repr__(self) -> str:
        return f"<{len(self)} entries of the {self.kind} table: {', '.join(self)}>"

    def __len__(self) -> int:
        return len(self._entries)

    def find(self, name: str, *, where: str) -> Entry:
        """Return the entry called ``name``, or raise ``RecipeError`` with the nearest name there is.

        Raises
        ------
        RecipeError
            There is no entry of that name.
        """
        if name in self._entries:
            return self._entries[name]
        expected = f"one of: {', '.join(sorted(self._entries))}"
        advice = suggestion(name, list(self._entries))
        raise RecipeError(where, found=f"no {self.kind} is called {name!r}", expected=expected, advice=advice)


def suggestion(name: str, known: list[str]) -> str:
    """Return "did you mean ...?" for a near miss, else an empty string.

    Examples
    --------
    >>> suggestion("sky_levl", ["sky_level", "curve"])
    "did you mean 'sky_level'?"
    >>> suggestion("zebra", ["sky_level"])
    ''
    """
    near = get_close_matches(name, known, n=1, cutoff=0.6)
    return f"did you mean {near[0]!r}?" if near else ""
