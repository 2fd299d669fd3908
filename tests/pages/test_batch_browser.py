"""The page of a batch in a headless browser: filter, order, two side by side, by hand and by keys."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from blend.files.png import write_png
from blend.pages.batch import batch_page

READY = "document.documentElement?.dataset.ready === 'yes'"
SHOWN = "[...document.querySelectorAll('li.card')].filter((c) => !c.hidden).map((c) => c.dataset.name)"


def card(folder: Path, number: int) -> dict[str, Any]:
    """Return one of 24 targets: every twelfth failed, every fourth to look at, its picture in a folder of its own."""
    name, failed = f"field <{number}>", number % 12 == 5
    label = "failed" if failed else "look" if number % 4 == 2 else "fine"
    if not failed:
        (folder / f"f{number}").mkdir()
        ramp = np.linspace(0.05, 0.3 + 0.02 * number, 150 * 100).reshape(1, 100, 150).repeat(3, axis=0)
        write_png(folder / f"f{number}" / "preview.png", ramp.astype(np.float32))
    values = {
        **{"alignment_px": 0.05 + 0.01 * (number * 7 % 24), "residual_gradient_sigma": 0.02},
        **{"exposure_factor": None if number == 3 else 1.0 + number * 5 % 24, "line_contrast": 2.0},
        "star_colour_shift": 1.4 if label == "look" else 0.2,
    }
    return {
        **{"name": name, "label": label, "state": "failed" if failed else "done", "seconds": 10.0 + number},
        "reason": "ha.fits: no such file. Do this: check the path." if failed else "",
        "reasons": ("Star colour shift: 1.40 (median)", "a width was taken as 7 nm")[
            : 1 + number % 2 + (number == 6)
        ]
        if label == "look"
        else (),
        "values": {} if failed else values,
        "thumbnail": "" if failed else f"f{number}/preview.png",
        "report": "" if failed else f"f{number}/report.html",
        "record": "" if failed else f"f{number}/record.json",
    }


@pytest.fixture(scope="module")
def page_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("batch page")
    cards = [card(folder, number) for number in range(24)]
    page = batch_page("galaxy <moonlit>", cards, {"done": 22, "skipped": 0, "failed": 2}, log="../batch.log")
    (folder / "index.html").write_text(page, encoding="utf-8")
    return folder / "index.html"


@pytest.fixture
def page(tab: Any, page_file: Path) -> Any:
    tab.resize(1400, 900)
    tab.call("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": "light"}])
    tab.open(page_file, until=READY)
    return tab


def choose(tab: Any, key: str) -> list[str]:
    """Sort by a number and return the names in their order."""
    tab.run(
        f"document.getElementById('by').value = '{key}',"
        " document.getElementById('by').dispatchEvent(new Event('change'))"
    )
    names: list[str] = tab.run(SHOWN)
    return names


def test_what_needs_a_look_stands_first_and_is_named_on_top(page: Any) -> None:
    assert page.complaints == []
    assert [u for u in page.requests if not u.startswith("file:")] == []
    words = page.run("[...document.querySelectorAll('li.card')].map((c) => c.dataset.label)")
    assert words == ["failed"] * 2 + ["look"] * 6 + ["fine"] * 16
    assert page.run("[...document.querySelectorAll('.sums dt')].map((d) => d.textContent)") == [
        "failed 2",
        "look 6",
        "fine 16",
    ]
    # every one of them is named in the first lines, with a link to its card
    assert page.run("document.querySelectorAll('.sums a').length") == 8
    assert page.run(
        "[...document.querySelectorAll('.sums a')].every((a) => document.querySelector(a.getAttribute('href')))"
    )
    assert page.run("[...document.images].every((i) => i.alt.startsWith('The picture of field <'))")
    assert page.run("document.querySelector('.ends a[href=\"../batch.log\"]') !== null")


@pytest.mark.parametrize(("label", "count"), [("failed", 2), ("look", 6), ("fine", 16), ("", 24)])
def test_a_label_filters(page: Any, label: str, count: int) -> None:
    page.run(f"document.querySelector('input[name=show][value=\"{label}\"]').click()")
    assert len(page.run(SHOWN)) == count
    assert page.run("document.getElementById('shown').textContent") == f"{count} of 24 shown"


def test_numbers_sort_from_their_worse_end_and_the_other_way(page: Any) -> None:
    values = "[...document.querySelectorAll('li.card')].map((c) => JSON.parse(c.dataset.values)"
    choose(page, "alignment_px")
    known = page.run(f"{values}.alignment_px ?? null)")
    assert known[-2:] == [None, None] and known[:-2] == sorted(known[:-2], reverse=True)
    page.run("document.getElementById('order').click()")
    known = page.run(f"{values}.alignment_px ?? null)")
    assert known[-2:] == [None, None] and known[:-2] == sorted(known[:-2])
    choose(page, "exposure_factor")
    known = page.run(f"{values}.exposure_factor ?? null)")
    assert known[-3:] == [None] * 3 and known[:-3] == sorted(known[:-3])
    assert choose(page, "name")[:3] == ["field <0>", "field <1>", "field <2>"]
    assert page.run("document.getElementById('order').hidden")
    assert choose(page, "urgency")[0] == "field <5>"


def test_two_ticked_stand_side_by_side_by_keys_alone(page: Any) -> None:
    focus = "document.activeElement"
    assert page.run("document.getElementById('both').disabled")
    for number in (2, 3, 4):
        page.run(f"document.querySelectorAll('.tick')[{number}].focus()")
        page.press(" ")
    # the third has taken the first one's place
    assert page.run("document.querySelectorAll('.tick:checked').length") == 2
    page.run("document.getElementById('both').focus()")
    page.press(" ")
    assert page.run("document.getElementById('pair').open")
    assert page.run("[...document.querySelectorAll('#pair img')].length") == 2
    page.wait(
        "[...document.querySelectorAll('#pair img')].every((i) => i.complete && i.naturalWidth === 150)"
    )
    heads = page.run("[...document.querySelectorAll('#pair thead th')].map((h) => h.textContent)")
    assert heads == ["number", "field <14>", "field <18>"]
    rows = page.run("[...document.querySelectorAll('#pair tbody tr')].map((r) => r.textContent)")
    assert len(rows) == 4 and rows[0].startswith("alignment0.")
    assert page.run(f"document.getElementById('pair').contains({focus})")
    page.run("document.getElementById('close').focus()")
    page.press(" ")
    assert not page.run("document.getElementById('pair').open")
    page.run("document.getElementById('untick').click()")
    assert page.run("document.querySelectorAll('.tick:checked').length") == 0


def test_a_link_shows_its_card_though_the_filter_hid_it(page: Any) -> None:
    page.run("document.querySelector('input[name=show][value=fine]').click()")
    page.run("document.querySelector('.sums a').click()")
    assert "field <5>" in page.run(SHOWN)


@pytest.mark.parametrize("width", [1400, 800, 390])
def test_nothing_runs_out_of_the_page(page: Any, width: int) -> None:
    page.resize(width, 900)
    assert page.run("document.documentElement.scrollWidth") <= width


def test_every_picture_is_there_before_anybody_scrolls_to_it_as_print_needs(page: Any) -> None:
    page.call("Emulation.setEmulatedMedia", media="print")
    assert page.run("[...document.images].every((image) => image.complete && image.naturalWidth > 0)")
    assert page.run("[...document.querySelectorAll('.tick, #by')].every((e) => e.offsetParent === null)")
    page.call("Emulation.setEmulatedMedia", media="")


def test_without_scripts_all_but_the_moving_parts_is_there(page: Any, page_file: Path) -> None:
    page.call("Emulation.setScriptExecutionDisabled", value=True)
    try:
        page.open(page_file)
        assert page.run("document.querySelectorAll('li.card').length") == 24
        assert page.run("[...document.querySelectorAll('.controls, .controls-tick')].every((e) => e.hidden)")
        assert page.run("document.body.innerText.includes('no such file')")
    finally:
        page.call("Emulation.setScriptExecutionDisabled", value=False)


@pytest.mark.network
@pytest.mark.parametrize("width", [1400, 800, 390])
@pytest.mark.parametrize("scheme", ["light", "dark", "red"])
def test_axe_finds_nothing(page: Any, axe: str, scheme: str, width: int) -> None:
    page.resize(width, 900)
    if scheme == "red":
        page.run("document.getElementById('scheme').click()")
    else:
        page.call("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": scheme}])
    assert violations(page, axe) == []
    page.run(
        "[...document.querySelectorAll('.tick')].slice(0, 2).forEach((t) => t.click()),"
        " document.getElementById('both').click()"
    )
    assert violations(page, axe) == []


def violations(tab: Any, source: str) -> list[Any]:
    """Return all that axe-core finds on the page as it stands."""
    tab.run(f"{source}; 0")
    code = "axe.run().then((r) => r.violations.map((v) => [v.id, v.nodes.map((n) => n.html.slice(0, 120))]))"
    found: list[Any] = tab.run(code)
    return found
