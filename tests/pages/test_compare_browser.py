"""The page of two runs in a headless browser: wipe by hand and by keys, change and blink, hostile words."""

from __future__ import annotations

import base64
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from blend.files.png import jpeg_bytes
from blend.pages.compare import compare_page

READY = "document.documentElement?.dataset.ready === 'yes'"
HOSTILE = '</script><img src=x onerror="window.struck = true">\'{{ 7 * 7 }}'
CUT = "document.getElementById('wipe').style.getPropertyValue('--cut')"


def told() -> dict[str, Any]:
    """Return a comparison whose every word a stranger wrote."""
    run = {
        "record": HOSTILE,
        "target": HOSTILE,
        "label": "look",
        "title": HOSTILE,
        "taken": {"rgb": HOSTILE},
        "report": "r.html",
    }
    row = {"of": "ha", "what": HOSTILE, "unit": "x", "a": 1.0, "b": 2.0, "a_error": 0.1, "b_error": 0.1}
    row |= {"difference": 1.0, "difference_error": 0.14, "percent": 100.0, "beyond_error": True}
    same = {**row, "b": 1.0, "difference": 0.0, "percent": 0.0, "beyond_error": False}
    return {
        **{"a": run, "b": {**run, "label": "fine"}, "numbers": [row, same], "notes": [HOSTILE]},
        "recipe": [{"key": HOSTILE, "a": HOSTILE, "b": "-"}],
        **{"files": [], "warnings": {"a": [HOSTILE], "b": []}},
    }


def picture(level: float, shape: tuple[int, int]) -> str:
    data = jpeg_bytes(np.full((3, *shape), level, dtype=np.float32))
    return "data:image/jpeg;base64," + base64.b64encode(data).decode()


@pytest.fixture(scope="module")
def page_file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("compare") / "compare.html"
    pictures = [picture(0.1, (200, 300)), picture(0.9, (300, 300))]
    path.write_text(compare_page(told(), pictures), encoding="utf-8")
    return path


@pytest.fixture
def page(tab: Any, page_file: Path) -> Any:
    tab.resize(1400, 900)
    tab.call("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": "light"}])
    tab.open(page_file, until=READY)
    return tab


def test_it_asks_for_nothing_and_no_word_of_a_stranger_runs(page: Any) -> None:
    assert page.complaints == []
    assert [u for u in page.requests if not u.startswith(("file:", "data:"))] == []
    assert page.run("window.struck === undefined && !document.querySelector('img[src=x]')")
    assert page.run("document.body.innerText.includes('{{ 7 * 7 }}')")
    assert page.run("document.querySelector('tr.differs td:last-child').textContent") == "differs"
    assert page.run("document.querySelector('details summary').textContent").startswith("1 numbers")


def test_the_seam_follows_the_pointer_and_the_arrow_keys(page: Any) -> None:
    box = page.run(
        "(() => { const b = document.getElementById('wipe').getBoundingClientRect();"
        " return [b.left, b.top, b.width, b.height]; })()"
    )
    mouse = {"button": "left", "buttons": 1, "clickCount": 1, "y": box[1] + 50}
    page.call("Input.dispatchMouseEvent", type="mousePressed", x=box[0] + box[2] / 2, **mouse)
    page.call("Input.dispatchMouseEvent", type="mouseMoved", x=box[0] + 0.8 * box[2], **mouse)
    page.call("Input.dispatchMouseEvent", type="mouseReleased", x=box[0] + 0.8 * box[2], **mouse)
    assert page.run(CUT) == "80%" and page.run("document.getElementById('cut').value") == "80"
    page.run("document.getElementById('cut').focus()")
    page.press("ArrowLeft")
    assert page.run(CUT) == "79%"


def test_change_and_blink_show_one_whole_picture(page: Any) -> None:
    which = "document.getElementById('which').textContent"
    shown = "getComputedStyle(document.querySelector('#wipe img + img')).clipPath"
    page.run("document.getElementById('turn').focus()")
    page.press(" ")
    assert page.run(which) == "A" and page.run(shown) == "inset(0px 0px 0px 100%)"
    page.press(" ")
    assert page.run(which) == "B" and page.run(shown) in ("inset(0px 0px 0px 0%)", "inset(0px)")
    page.run("document.getElementById('blink').click()")
    page.wait(f"{which} === 'B'")
    page.wait(f"{which} === 'A'")
    page.run("document.getElementById('blink').click()")
    assert page.run("document.getElementById('blink').getAttribute('aria-pressed')") == "false"
    page.run("document.getElementById('cut').focus()")
    page.press("ArrowRight")
    assert page.run(which) == "A left, B right"


@pytest.mark.parametrize("width", [1400, 800, 390])
def test_nothing_runs_out_of_the_page(page: Any, width: int) -> None:
    page.resize(width, 900)
    assert page.run("document.documentElement.scrollWidth") <= width


def test_in_print_the_pictures_stand_side_by_side_and_whole(page: Any) -> None:
    page.call("Emulation.setEmulatedMedia", media="print")
    boxes = page.run(
        "[...document.querySelectorAll('#wipe img')].map((i) => [i.getBoundingClientRect().left,"
        " i.getBoundingClientRect().right, getComputedStyle(i).clipPath])"
    )
    page.call("Emulation.setEmulatedMedia", media="")
    assert boxes[1][0] >= boxes[0][1]
    assert {box[2] for box in boxes} == {"none"}


def test_without_scripts_both_pictures_stand_one_below_the_other(page: Any, page_file: Path) -> None:
    page.call("Emulation.setScriptExecutionDisabled", value=True)
    try:
        page.open(page_file)
        assert page.run("document.getElementById('controls').hidden")
        tops = page.run(
            "[...document.querySelectorAll('#wipe img')].map((i) => i.getBoundingClientRect().top)"
        )
        assert tops[1] > tops[0] + 100
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
    page.run(f"{axe}; 0")
    code = "axe.run().then((r) => r.violations.map((v) => [v.id, v.nodes.map((n) => n.html.slice(0, 120))]))"
    assert page.run(code) == []
