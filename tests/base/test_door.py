"""A room's door: names are loaded when asked for, from the module that has them, and others are refused."""

from __future__ import annotations

import subprocess
import sys

import pytest

from blend.base.door import lazy_names


def test_a_name_is_that_of_its_module() -> None:
    from blend.base.roots import root_between

    load = lazy_names("blend.base", {"roots": ["root_between"], "robust": ["MAD_TO_SIGMA"]})
    assert load("root_between") is root_between
    with pytest.raises(AttributeError, match=r"module 'blend\.base' has no attribute 'root'"):
        load("root")


def test_nothing_is_loaded_before_it_is_asked_for() -> None:
    code = (
        "import sys; from blend.base.door import lazy_names\n"
        "load = lazy_names('blend.science.plane', {'trails': ['find_trail']})\n"
        "before = 'blend.science.plane.trails' in sys.modules; load('find_trail')\n"
        "print(before, 'blend.science.plane.trails' in sys.modules)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["False", "True"]
