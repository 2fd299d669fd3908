"""What several test modules share: invented nights, real frames, and runs that are made once."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

PROJECT = Path(__file__).parent.parent

collect_ignore = ["crafts.py", "fuzz.py", "wrong.py", "wrong_cases"]
"""Drivers of their own, which tests/run.sh calls; they find their modules beside them."""


@pytest.fixture(scope="session")
def real_frames() -> Path:
    """Return the folder of real frames, or skip with the reason."""
    named = os.environ.get("BLEND_REAL_FRAMES")
    folder = Path(named) if named else PROJECT.parent / "shared" / "data"
    if not (folder / "ou5-ha.fits").is_file():
        pytest.skip(f"no real frames in {folder}; set BLEND_REAL_FRAMES to their folder")
    return folder


@pytest.fixture(scope="session")
def small_demo(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Run the demonstration once, small, and return its folder."""
    from blend.app.demo import run_demo

    out = tmp_path_factory.mktemp("demo")
    run_demo(out)
    return out
