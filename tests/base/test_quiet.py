"""Library warnings: none from any thread inside, and the user's own filters as they were outside."""

from __future__ import annotations

import re
import warnings
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from threading import Barrier

import pytest

import blend
from blend.base.quiet import quiet


def test_threads_that_leave_one_after_another_are_all_quiet() -> None:
    # The order that undoes warnings.catch_warnings: the first to enter leaves while the second is still inside.
    entered, left = Barrier(2), Barrier(2)

    def first() -> None:
        with quiet():
            entered.wait(10)
        left.wait(10)

    def second() -> None:
        with quiet():
            entered.wait(10)
            left.wait(10)
            warnings.warn("from a library", stacklevel=1)

    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        before = list(warnings.filters)
        with ThreadPoolExecutor(2) as pool:
            for job in (pool.submit(first), pool.submit(second)):
                job.result()
        assert [str(one.message) for one in caught] == []
        assert list(warnings.filters) == before
        warnings.warn("afterwards", stacklevel=1)
        assert [str(one.message) for one in caught] == ["afterwards"]


def test_no_other_module_sets_filters() -> None:
    package = Path(blend.__file__).parent
    words = re.compile(r"catch_warnings\(|simplefilter\(|filterwarnings\(|showwarning")
    setting = [path.name for path in package.rglob("*.py") if words.search(path.read_text(encoding="utf-8"))]
    assert setting == ["quiet.py"]


def test_what_was_before_comes_back_after_a_fault() -> None:
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        before = list(warnings.filters)
        with pytest.raises(KeyError), quiet(), quiet():
            raise KeyError
        assert list(warnings.filters) == before
