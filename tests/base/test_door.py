"""A room's door: names are loaded when asked for, from the module that has them, and others are refused."""

from __future__ import annotations

import subprocess
import sys

import pytest

from blend.base.door import open_door


def test_a_name_is_that_of_its_module() -> None:
    import blend.science.plane
    from blend.science.plane.trails import find_trail

    load, names = open_door(blend.science.plane.__name__)
    assert load("find_trail") is find_trail and "find_trail" in names and names == sorted(names)
    with pytest.raises(AttributeError, match=r"module 'blend\.science\.plane' has no attribute 'find'"):
        load("find")


def test_nothing_is_loaded_before_it_is_asked_for() -> None:
    code = (
        "import sys, blend.science.plane as plane\n"
        "before = 'blend.science.plane.trails' in sys.modules; plane.find_trail\n"
        "print(before, 'blend.science.plane.trails' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "True"]
