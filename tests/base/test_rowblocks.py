"""Row blocks: every one once, results in order, whatever fails and whoever calls inside."""

from __future__ import annotations

import threading

import pytest

from blend.base.rowblocks import limit_threads, map_row_blocks, map_together


@pytest.mark.parametrize("threads", [1, 2, 4])
def test_results_stand_in_the_order_of_the_rows_on_any_number_of_threads(threads):
    with limit_threads(threads):
        found = map_row_blocks(lambda rows: (rows.start, rows.stop), 1003)
    assert [pair for start, stop in found for pair in range(start, stop)] == list(range(1003))


@pytest.mark.parametrize("threads", [1, 2, 4])
def test_the_first_block_that_fails_is_told_and_nothing_runs_afterwards(threads):
    running = []

    def fails_late(rows):
        running.append(rows.start)
        try:
            if rows.start >= 192:
                raise ValueError(rows.start)
        finally:
            running.remove(rows.start)

    with limit_threads(threads):
        for _ in range(50):
            with pytest.raises(ValueError, match=r"^192$"):
                map_row_blocks(fails_late, 6400)
            assert not running


def test_calls_inside_calls_wait_for_nobody():
    def many(rows):
        return sum(map_together(lambda part: sum(map_row_blocks(lambda _: 1, 64 * part)), range(1, 8)))

    done = []
    with limit_threads(3):
        worker = threading.Thread(target=lambda: done.append(map_row_blocks(many, 640)), daemon=True)
        worker.start()
        worker.join(timeout=60)
    assert done == [[28] * 10]


def test_a_block_shares_nothing_out_while_all_threads_have_blocks():
    names = set()

    def inner(rows):
        own = threading.get_ident()
        map_row_blocks(lambda _: names.add(own == threading.get_ident()), 640)

    with limit_threads(2):
        map_row_blocks(inner, 640)
    assert names == {True}
