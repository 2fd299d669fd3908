"""The report in a headless browser: zoom, seam, blink, keys, no script, print, and no fault of accessibility."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

STATE = (
    "(() => { const w = document.querySelector('.world').style.transform.match(/-?[\\d.]+/g).map(Number),"
    " s = document.getElementById('stage'); return {x: w[0], y: w[1], scale: w[2], mode: s.dataset.mode,"
    " cut: parseFloat(s.style.getPropertyValue('--cut')), wide: s.clientWidth, high: s.clientHeight,"
    " top: s.getBoundingClientRect().top, said: document.getElementById('readout').textContent}; })()"
)


@pytest.fixture
def report(tab: Any, small_demo: Path) -> Any:
    tab.call("Emulation.setEmulatedMedia", media="", features=[])
    tab.resize(1400, 900)
    tab.open(small_demo / "result" / "report.html", until="document.getElementById('readout')?.textContent")
    return tab


def mouse(tab: Any, kind: str, x: float, y: float, **more: Any) -> None:
    tab.call("Input.dispatchMouseEvent", type=kind, x=x, y=y, **more)


def drag(tab: Any, start: tuple[float, float], end: tuple[float, float]) -> None:
    mouse(tab, "mousePressed", *start, button="left", buttons=1, clickCount=1)
    for share in (0.5, 1.0):
        place = tuple(a + share * (b - a) for a, b in zip(start, end, strict=True))
        mouse(tab, "mouseMoved", *place, button="left", buttons=1)
    mouse(tab, "mouseReleased", *end, button="left", clickCount=1)


def settled(tab: Any) -> dict[str, Any]:
    tab.run("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
    found: dict[str, Any] = tab.run(STATE)
    return found


def click(tab: Any, name: str) -> dict[str, Any]:
    tab.run(f"document.getElementById('{name}').click()")
    return settled(tab)


def test_buttons_show_the_target_the_field_and_true_pixels(report: Any, small_demo: Path) -> None:
    record = json.loads((small_demo / "result" / "record.json").read_text(encoding="utf-8"))
    size = report.run(
        "[+document.getElementById('viewer').dataset.width, +document.getElementById('viewer').dataset.height]"
    )
    assert size == [record["crop"]["w"], record["crop"]["h"]]
    opened = settled(report)
    target = report.run("document.getElementById('viewer').dataset.target.split(',').map(Number)")
    assert click(report, "to-target") == opened
    middle = [(opened[at] / 2 - opened[to]) / opened["scale"] for at, to in (("wide", "x"), ("high", "y"))]
    assert target[0] <= middle[0] <= target[0] + target[2] and target[1] <= middle[1] <= target[1] + target[3]
    whole = click(report, "to-whole")
    assert whole["scale"] == pytest.approx(min(whole["wide"] / size[0], whole["high"] / size[1]), rel=1e-3)
    full = click(report, "to-full")
    assert full["scale"] == 1.0 and full["said"].startswith("100 %")
    # one pixel of the picture is one of the screen
    image = report.run("document.querySelector('.with img').getBoundingClientRect().width")
    assert image == pytest.approx(size[0], abs=0.5)


def test_the_wheel_zooms_about_the_pointer_and_drag_pans(report: Any) -> None:
    before = click(report, "to-full")
    x, y = 300.0, before["top"] + 100.0
    mouse(report, "mouseWheel", x, y, deltaX=0, deltaY=-400)
    near = settled(report)
    assert near["scale"] > 1.5
    held = [(place - state["x"]) / state["scale"] for state in (before, near) for place in (x,)]
    assert held[0] == pytest.approx(held[1], abs=0.5)
    drag(report, (300, y), (240, y - 30))
    moved = settled(report)
    assert (moved["x"] - near["x"], moved["y"] - near["y"]) == pytest.approx((-60, -30), abs=0.5)
    # as far out as it goes the page scrolls on
    for _ in range(12):
        mouse(report, "mouseWheel", x, y, deltaX=0, deltaY=600)
    report.wait("scrollY > 0")


def test_the_seam_is_dragged_on_the_picture(report: Any) -> None:
    before = settled(report)
    y = before["top"] + 0.5 * before["high"]
    drag(report, (700, y), (350, y))
    after = settled(report)
    assert after["cut"] == pytest.approx(25, abs=0.2) and after["mode"] == "seam"
    assert (after["x"], after["scale"]) == (before["x"], before["scale"])
    clip = "getComputedStyle(document.querySelector('.layer.without')).clipPath"
    assert report.run(clip) == "inset(0px 75% 0px 0px)"
    assert report.run("document.getElementById('seam').getAttribute('aria-valuenow')") == "25"


def test_two_fingers_zoom(report: Any) -> None:
    before = click(report, "to-full")
    y = before["top"] + 200

    def touch(kind: str, *xs: float) -> None:
        points = [{"x": x, "y": y, "id": number} for number, x in enumerate(xs)]
        report.call("Input.dispatchTouchEvent", type=kind, touchPoints=points)

    report.call("Emulation.setTouchEmulationEnabled", enabled=True)
    touch("touchStart", 300, 400)
    touch("touchMove", 275, 425)
    touch("touchMove", 250, 450)
    touch("touchEnd")
    report.call("Emulation.setTouchEmulationEnabled", enabled=False)
    assert settled(report)["scale"] == pytest.approx(2.0, rel=0.05)


def test_keys_do_all_of_it(report: Any) -> None:
    assert settled(report)["mode"] == "seam"
    for mode in ("without", "with"):
        report.press(" ")
        assert settled(report)["mode"] == mode
        assert f"{mode} lines" in settled(report)["said"]
    assert report.run("scrollY") == 0
    report.run("document.getElementById('stage').focus()")
    before = click(report, "to-full")
    report.run("document.getElementById('stage').focus()")
    report.press("ArrowRight")
    assert settled(report)["x"] == pytest.approx(before["x"] - 60, abs=0.5)
    for key, test in (("w", "to-whole"), ("t", "to-target"), ("1", "to-full")):
        report.run(
            f"document.getElementById('stage').dispatchEvent(new KeyboardEvent('keydown', {{key: '{key}'}}))"
        )
        by_key = settled(report)
        assert by_key == click(report, test)
    report.run(
        "document.getElementById('stage').dispatchEvent(new KeyboardEvent('keydown', {key: 'Escape'}))"
    )
    report.run("document.getElementById('seam').focus()")
    report.press("ArrowRight")
    assert settled(report)["cut"] == 51.0


def test_tiles_jump_to_their_evidence_and_commands_are_copied(report: Any) -> None:
    links = report.run("[...document.querySelectorAll('.tile')].map((a) => a.getAttribute('href'))")
    assert len(links) >= 8
    assert all(report.run(f"Boolean(document.querySelector('{link}'))") for link in links)
    report.run("document.querySelector('.advice .copy button').click()")
    report.wait("document.querySelector('.advice .copy button').textContent === 'Copied'")


def test_crops_blink_and_are_at_their_true_size(report: Any) -> None:
    widths = report.run(
        "[...document.querySelectorAll('.crops img')].map((i) => [i.width, i.naturalWidth, i.className])"
    )
    assert widths and all(shown == (3 if name == "x3" else 1) * own for shown, own, name in widths)
    first = "document.querySelector('.crops img').src"
    colour = report.run(first)
    report.run("document.getElementById('blink-crops').click()")
    report.wait(f"{first} === document.querySelectorAll('.crops img')[1].src")
    report.run("document.getElementById('blink-crops').click()")
    assert report.run(first) == colour


@pytest.mark.parametrize("width", [1400, 800, 390])
def test_nothing_is_asked_for_and_nothing_scrolls_sideways(report: Any, width: int) -> None:
    report.resize(width, 900)
    assert [url for url in report.requests if not url.startswith(("file:", "data:"))] == []
    assert report.complaints == []
    report.run("document.querySelectorAll('details').forEach((fold) => { fold.open = true; })")
    assert report.run("document.documentElement.scrollWidth") <= width
    wide = (
        "[...document.querySelectorAll('main *')].filter((e) => !e.closest('.stage, math, svg') && "
        "e.scrollWidth > e.clientWidth + 1 && getComputedStyle(e).overflowX !== 'visible' && e.clientWidth > 0)"
        ".map((e) => e.outerHTML.slice(0, 80))"
    )
    assert report.run(wide) == []
    assert report.run("[...document.images].every((i) => i.complete && i.naturalWidth > 0)")
    assert report.run("document.querySelectorAll('math').length") == 2


def test_without_scripts_all_pictures_and_numbers_are_there(tab: Any, small_demo: Path) -> None:
    tab.resize(1400, 900)
    tab.call("Emulation.setScriptExecutionDisabled", value=True)
    try:
        tab.open(small_demo / "result" / "report.html", until="document.readyState === 'complete'")
        shown = "[...document.querySelectorAll('.stage img')].map((i) => i.getBoundingClientRect())"
        boxes = tab.run(f"{shown}.map((b) => [b.left, b.right, b.width])")
        assert len(boxes) >= 2 and all(
            left >= 0 and right <= 1400 and wide > 300 for left, right, wide in boxes
        )
        live = "[...document.querySelectorAll('.live')].every((e) => getComputedStyle(e).display === 'none')"
        assert tab.run(live)
        assert tab.run("document.querySelectorAll('.tile').length") >= 8
    finally:
        tab.call("Emulation.setScriptExecutionDisabled", value=False)


def test_in_print_the_ground_is_light_and_no_control_is_left(report: Any) -> None:
    report.call(
        "Emulation.setEmulatedMedia",
        media="print",
        features=[{"name": "prefers-color-scheme", "value": "dark"}],
    )
    assert report.run("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    controls = "[...document.querySelectorAll('button, input, .live')]"
    assert report.run(f"{controls}.every((e) => e.getBoundingClientRect().width === 0)")
    boxes = report.run(
        "[...document.querySelectorAll('.stage img')].map((i) => i.getBoundingClientRect().width)"
    )
    assert all(width > 200 for width in boxes)
    report.run("dispatchEvent(new Event('beforeprint'))")
    assert report.run("[...document.querySelectorAll('main > section > details')].every((fold) => fold.open)")
    report.run("dispatchEvent(new Event('afterprint'))")
    assert not report.run(
        "[...document.querySelectorAll('main > section > details')].some((fold) => fold.open)"
    )


@pytest.mark.network
@pytest.mark.parametrize("scheme", ["light", "dark", "red"])
def test_axe_finds_nothing(report: Any, axe: str, scheme: str) -> None:
    report.call("Emulation.setEmulatedMedia", features=[{"name": "prefers-color-scheme", "value": scheme}])
    if scheme == "red":
        report.run("document.getElementById('scheme').click()")
    report.run("document.querySelectorAll('details').forEach((fold) => { fold.open = true; })")
    report.run(f"{axe}; 0")
    for width in (1400, 800, 390):
        report.resize(width, 900)
        faults = report.run(
            "axe.run().then((r) => r.violations.map((v) => [v.id, v.nodes.map((n) => n.html.slice(0, 90))]))"
        )
        assert faults == [], width
