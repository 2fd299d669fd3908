"""Masters, faults, registries and row blocks."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from blend.base.errors import FaultList, InputError, OutputError, RecipeError, StepError
from blend.base.jit import kernel
from blend.base.master import Flag, Master, flags_of
from blend.base.registry import Registry
from blend.base.rowblocks import copy_planes, limit_threads, map_row_blocks, row_blocks, thread_count


def test_a_fault_says_where_what_expected_and_what_to_do() -> None:
    fault = InputError("a.fits", found="it is empty", expected="a picture", advice="copy it again")
    assert str(fault) == "a.fits: it is empty; expected a picture. Do this: copy it again."


def test_each_kind_of_fault_has_its_exit_code() -> None:
    assert [kind.exit_code for kind in (RecipeError, InputError, StepError, OutputError)] == [2, 3, 4, 5]


def test_several_faults_are_told_a_line_each() -> None:
    faults = FaultList([RecipeError("a", found="x"), RecipeError("b", found="y")])
    assert str(faults) == "a: x.\nb: y."
    assert faults.exit_code == 2


def test_a_master_cannot_be_changed_and_leaves_its_source_alone() -> None:
    pixels = np.zeros((1, 4, 5), dtype=np.float32)
    master = Master(pixels=pixels, flags=np.zeros((4, 5), dtype=np.uint8), planes=("ha",))
    with pytest.raises(ValueError, match="read-only"):
        master.pixels[0, 0, 0] = 1
    pixels[0, 0, 0] = 1
    assert pixels.flags.writeable


@pytest.mark.parametrize(("shape", "flags"), [((2, 4, 5), (4, 5)), ((1, 4, 5), (5, 4)), ((4, 5), (4, 5))])
def test_a_master_refuses_shapes_that_do_not_fit(shape: tuple[int, ...], flags: tuple[int, ...]) -> None:
    with pytest.raises(ValueError, match="shape"):
        Master(pixels=np.zeros(shape), flags=np.zeros(flags), planes=("ha",))


def test_flags_mark_what_is_missing_in_any_plane() -> None:
    pixels = np.zeros((3, 2, 2), dtype=np.float32)
    pixels[1, 0, 1] = np.nan
    flags = flags_of(pixels)
    assert flags.tolist() == [[0, Flag.NO_DATA], [0, 0]]


def test_two_entries_of_one_name_are_refused() -> None:
    with pytest.raises(ValueError, match="share a name"):
        Registry("formula", [SimpleNamespace(name="a"), SimpleNamespace(name="a")])


def test_blocks_cover_every_row_once() -> None:
    rows = [row for block in row_blocks(1000) for row in range(block.start, block.stop)]
    assert rows == list(range(1000))


@pytest.mark.parametrize("threads", [1, 2, 5])
def test_sums_over_blocks_do_not_depend_on_threads(threads: int) -> None:
    values = np.random.default_rng(1).normal(size=(999, 37)).astype(np.float32)
    with limit_threads(threads):
        assert thread_count() == threads
        parts = map_row_blocks(lambda block: float(values[block].sum(dtype=np.float64)), 999)
    assert sum(parts) == sum(float(values[block].sum(dtype=np.float64)) for block in row_blocks(999))


def test_a_fault_in_a_block_reaches_the_caller() -> None:
    def fill_rows(block: slice) -> None:
        raise StepError("here", found=str(block.start))

    with pytest.raises(StepError, match="here"):
        map_row_blocks(fill_rows, 500)


def test_a_kernel_gives_what_its_python_gives() -> None:
    def total(values):  # type: ignore[no-untyped-def]
        result = 0.0
        for value in values:
            result += value
        return result

    assert kernel(total)(np.arange(5.0)) == total(np.arange(5.0)) == 10.0


def test_copied_planes_are_the_planes_and_no_view_of_them() -> None:
    planes = np.random.default_rng(3).normal(size=(3, 130, 7)).astype(np.float32)
    for threads in (1, 2):
        with limit_threads(threads):
            copied = copy_planes([planes[2], planes[0]])
        assert np.array_equal(copied, planes[[2, 0]])
        assert not np.shares_memory(copied, planes)
