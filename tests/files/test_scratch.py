"""Room for frames: in memory or on the disk they come back as they were, and the folder is gone afterwards."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from blend.base.errors import OutputError
from blend.files.scratch import FrameStore

SHAPE = (2, 7, 5)


@pytest.mark.parametrize("memory", [0, 10**6])
@pytest.mark.parametrize("whole", [False, True])
def test_frames_come_back_to_the_bit(tmp_path: Path, memory: int, whole: bool) -> None:
    rng = np.random.default_rng(1)
    frames = [rng.integers(0, 65536, SHAPE).astype(np.float32), rng.normal(size=SHAPE).astype(np.float32)]
    with FrameStore(2, SHAPE, memory_bytes=memory, folder=tmp_path, whole=whole) as store:
        assert bool(store.disk_bytes) == (memory == 0) == bool(list(tmp_path.iterdir()))
        for index, frame in enumerate(frames):
            store.put(index, frame)
            frame_kept = store.get(index)
            assert frame_kept.dtype == np.float32 and np.array_equal(frame_kept, frame)
        rows = store.rows(1, slice(2, 6), [1, 0])
        assert np.array_equal(rows, np.stack([frames[1][1, 2:6], frames[0][1, 2:6]]))
    assert not list(tmp_path.iterdir())


def test_what_is_kept_is_the_stores_own() -> None:
    frame = np.zeros(SHAPE, dtype=np.float32)
    with FrameStore(1, SHAPE, memory_bytes=10**6) as store:
        store.put(0, frame)
        frame += 1.0
        assert not store.get(0).any()


def test_too_little_room_is_said_before_anything_is_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("shutil.disk_usage", lambda _: type("Usage", (), {"free": 10})())
    with (
        pytest.raises(OutputError, match="for 9 frames while they are stacked"),
        FrameStore(9, SHAPE, memory_bytes=0, folder=tmp_path),
    ):
        pass
    assert not list(tmp_path.iterdir())


def test_a_frame_of_another_shape_is_refused() -> None:
    with FrameStore(1, SHAPE, memory_bytes=10**6) as store, pytest.raises(ValueError, match="does not fit"):
        store.put(0, np.zeros((1, 7, 5)))
