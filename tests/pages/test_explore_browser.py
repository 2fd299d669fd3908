"""The page to look with, opened in a headless browser from a file, driven by sliders, selects and keys."""

from __future__ import annotations

import base64
import json
import shlex
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from blend.app.run.load import recipe_text
from blend.app.trial.explore import explore_page
from blend.pages.report import LightViews, report_page
from blend.pages.viewer import Frame, Pictures
from blend.recipe.model import load_recipe
from blend.recipe.pipeline import PICTURE_STEPS, run_all
from blend.recipe.state import Work
from blend.recipe.tables import Recipe
from blend.recipe.toml import parse_setting

READY = "document.documentElement?.dataset.ready === 'yes'"


@pytest.fixture(scope="module")
def page_file(balanced_work: Callable[..., Work], tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("page") / "explore <b>.html"
    path.write_text(explore_page(balanced_work(), command="blend run r.toml t.toml"), encoding="utf-8")
    return path


@pytest.fixture
def page(tab: Any, page_file: Path) -> Any:
    tab.open(page_file, until=READY)
    return tab


def shown(tab: Any, work: Work) -> np.ndarray:
    """Return the pixels on the canvas, (rows, columns, 3), once all that was set is drawn."""
    tab.run("blendPage.settled()")
    return pixels_of(tab, work.rgb.shape)


def pixels_of(tab: Any, shape: tuple[int, ...], canvas: str = "over") -> np.ndarray:
    """Return the pixels on a canvas, (rows, columns, 3)."""
    # A canvas of our own: reading one again and again is what a browser warns of.
    code = (
        f"(() => {{ const c = document.getElementById({canvas!r}), o = new OffscreenCanvas(c.width, c.height)"
        ".getContext('2d'); o.drawImage(c, 0, 0); const d = o.getImageData(0, 0, c.width, c.height).data;"
        " let s = ''; for (const b of d) s += String.fromCharCode(b); return btoa(s); })()"
    )
    flat = np.frombuffer(base64.b64decode(tab.run(code)), dtype=np.uint8)
    return flat.reshape(*shape, 4)[..., :3].astype(int)


def move(tab: Any, name: str, value: object) -> None:
    """Set a control as a hand would, its events included."""
    events = ["change"] if isinstance(value, str) else ["input", "change"]
    tab.run(
        f"(() => {{ const e = document.getElementById({name!r}); e.value = {value!r};"
        f" for (const kind of {events!r}) e.dispatchEvent(new Event(kind, {{bubbles: true}})); }})()"
    )


def click(tab: Any, name: str) -> None:
    tab.run(f"document.getElementById({name!r}).click()")


def text_of(tab: Any, name: str) -> str:
    return str(tab.run(f"document.getElementById({name!r}).textContent"))


def computed(work: Work, recipe: Recipe) -> np.ndarray:
    """Return the program's own picture, 8 bits."""
    display = run_all(work.with_(recipe=recipe), steps=PICTURE_STEPS).display
    assert display is not None
    upright = np.moveaxis(display[:, ::-1] if work.rgb.facts.rows == "bottom-up" else display, 0, -1)
    return np.floor(255.0 * np.nan_to_num(upright) + 0.5).astype(int)


def test_the_page_opens_from_a_file_and_asks_for_nothing(page: Any) -> None:
    # blob: is what the page itself made, the text of its workers.
    assert [url for url in page.requests if not url.startswith(("file:///", "blob:null/"))] == []
    assert len([url for url in page.requests if url.startswith("file:")]) == 1
    assert page.complaints == []
    # The policy inside the page forbids what the page does not do anyway.
    blocked = page.run("fetch('https://example.invalid/').then(() => 'sent', () => 'refused')")
    assert blocked == "refused"


def test_every_control_changes_the_picture_and_the_copied_text_makes_it_again(
    page: Any, balanced_work: Callable[..., Work]
) -> None:
    work = balanced_work()
    before = last = shown(page, work)
    for name, value in (
        ("blend.red.amount-slider", 2.0),
        ("blend.red.into_other_planes.blue-slider", 0.6),
        ("blend.luminance.amount", 0.8),
        ("stretch.sky_level-slider", 0.15),
        ("stretch.white", "target"),
        ("stretch.white_level-slider", 0.7),
        ("finish.contrast-slider", 0.5),
        ("finish.saturation-slider", 1.5),
        ("blend.luminance.formula", "maximum"),
    ):
        move(page, name, value)
        next_one = shown(page, work)
        assert np.abs(next_one - last).max() > 5, name
        last = next_one
    # The command and the recipe on screen, each by itself, give what is on the canvas.
    words = shlex.split(text_of(page, "command"))
    assert words[:4] == ["blend", "run", "r.toml", "t.toml"]
    settings = dict(parse_setting(text) for text in words[5::2])
    assert settings["blend.luminance.formula"] == "maximum" and settings["stretch.white"] == "target"
    recipes = (
        balanced_work(settings=settings).recipe,
        load_recipe(text_of(page, "recipe"), where="copied.toml"),
    )
    for recipe in recipes:
        made = computed(work, recipe)
        assert np.abs(made - last)[made.max(axis=2) < 250].max() <= 1
    click(page, "reset")
    assert np.array_equal(shown(page, work), before)
    assert page.complaints == []


PLAIN_FINISH = "[finish]\ncontrast = 0.2\ncurve = [[0.15, 0.2]]\nsaturation = 0.9\n\n"


def test_the_saved_recipe_run_by_the_program_gives_what_is_on_screen(tab: Any, tmp_path: Path) -> None:
    from click.testing import CliRunner
    from skimage.io import imread

    from blend.app.cli.commands import blend
    from blend.app.demo.demo import write_night
    from blend.science.simulated.night import SceneOptions, simulate_night

    def call(*words: str) -> str:
        done = CliRunner().invoke(blend, words)
        assert done.exit_code == 0, done.output
        return str(done.output)

    target = write_night(simulate_night(SceneOptions(rows=300, columns=420)), tmp_path)
    # A finish that works pixel by pixel.
    text, _ = recipe_text("galaxy-moonlit")
    before, _, after = text.partition("[finish]")
    recipe = tmp_path / "my recipe.toml"
    recipe.write_text(before + PLAIN_FINISH + after[after.index("[output]") :], encoding="utf-8")
    varied = ["--vary", "blend.red.amount=0.5,0.8", "--no-store", "--out", str(tmp_path / "trial")]
    call("try", str(recipe), str(target), *varied)
    tab.open(tmp_path / "trial" / "explore.html", until=READY)
    assert text_of(tab, "caption") == "As a run makes it, to one step of 8 bits."
    move(tab, "blend.red.amount-slider", 1.4)
    move(tab, "blend.luminance.formula", "mean")
    move(tab, "blend.luminance.amount", 0.45)
    move(tab, "stretch.sky_level-slider", 0.13)
    move(tab, "finish.contrast-slider", 0.5)
    tab.run("blendPage.settled()")
    words = shlex.split(tab.run("blendPage.command()"))
    assert words[:4] == ["blend", "run", str(recipe), str(target)]
    keys = [word.split("=")[0] for word in words if "=" in word]
    assert "blend.red.amount" in keys and len(keys) == len(set(keys))
    saved, kept = tmp_path / "saved.toml", tmp_path / "kept.toml"
    saved.write_text(tab.run("blendPage.recipe()"), encoding="utf-8")
    assert "extends = " in saved.read_text(encoding="utf-8") and len(saved.read_text(encoding="utf-8")) < 600
    call("keep", str(saved), "--out", str(kept))
    address = tab.run("location.href")
    call("keep", address, "--out", str(tmp_path / "by-address.toml"))
    pictures = []
    for name in ("kept", "by-address"):
        call("run", str(tmp_path / f"{name}.toml"), str(target), "--out", str(tmp_path / name), "--quiet")
        pictures.append(imread(tmp_path / name / "preview.png"))
    assert np.array_equal(*pictures)
    made = pictures[0].astype(int)
    assert pictures[0].dtype == np.uint8
    picture = pixels_of(tab, made.shape[:2])
    assert picture.std() > 3
    apart = np.abs(picture - made).max(axis=2)
    apart[made.max(axis=2) >= 250] = 0
    assert apart.max() <= 1


def test_half_the_size_is_every_second_pixel_of_the_whole(
    page: Any, balanced_work: Callable[..., Work]
) -> None:
    work = balanced_work()
    move(page, "finish.saturation-slider", 0.6)
    shown(page, work)
    # Held, without the rest that draws in full.
    page.run("values['blend.red.amount'] = 2.2; changing(); clearTimeout(resting)")
    page.wait("moving && !waiting && !drawing")
    rough = page.run("Array.from(blendPage.rough())")
    rows, columns = work.rgb.shape
    half = np.array(rough).reshape(-(-rows // 2), -(-columns // 2), 4)[..., :3]
    whole = shown(page, work)
    assert np.array_equal(half, whole[::2, ::2])


def test_pictures_are_wiped_by_hand_and_by_keys_and_blinked(
    page: Any, balanced_work: Callable[..., Work]
) -> None:
    page.resize(1400, 900)
    first = shown(page, balanced_work())
    click(page, "wipe")
    shown(page, balanced_work())
    assert not np.array_equal(first, pixels_of(page, first.shape[:2], "under"))
    assert page.run("document.getElementById('against').value") == "without"
    x, y = page.run(
        "(() => { const b = seam.getBoundingClientRect(); return [b.x + b.width / 2, b.y + 200]; })()"
    )
    drag(page, (x, y), (x - 300, y))
    share = page.run("eye.cut")
    assert share == pytest.approx((x - 300) / page.run("stage.clientWidth"), abs=0.01)
    assert "inset" in page.run("document.getElementById('over').style.clipPath")
    page.run("seam.focus()")
    page.press("ArrowRight")
    assert page.run("eye.cut") == pytest.approx(share + 0.01)
    click(page, "blink")
    page.wait("eye.under")
    click(page, "blink")
    assert page.run("blinking === 0 && !eye.under")
    page.run("stage.focus()")
    page.press(" ")
    assert page.run("document.getElementById('over').style.visibility") == "hidden"
    page.press(" ")
    assert page.run("document.getElementById('over').style.visibility") == ""
    assert page.complaints == []


def drag(tab: Any, start: tuple[float, float], end: tuple[float, float]) -> None:
    """Press, move and release the left button of a mouse."""
    for kind, (x, y) in (("mousePressed", start), ("mouseMoved", end), ("mouseReleased", end)):
        tab.call("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", buttons=1, clickCount=1)


def test_zoom_and_pan_by_wheel_hand_fingers_and_keys(page: Any) -> None:
    page.resize(1400, 900)
    page.run("blendPage.settled()")
    click(page, "true-size")
    assert text_of(page, "zoom") == "100 %"
    assert page.run("document.getElementById('over').getBoundingClientRect().width") == page.run("WIDTH")
    page.call("Input.dispatchMouseEvent", type="mouseWheel", x=500, y=400, deltaX=0, deltaY=-600)
    page.wait("eye.scale > 1.5")
    page.run("zoomTo(20)")
    middle = page.run("[eye.x, eye.y]")
    drag(page, (500, 400), (460, 420))
    assert page.run("[eye.x, eye.y]") == pytest.approx([middle[0] + 2, middle[1] - 1], abs=0.01)
    scale = page.run("eye.scale")
    page.run("zoomTo(4)")
    for spread, kind in ((100, "touchStart"), (200, "touchMove")):
        points = [{"x": 500 - spread, "y": 400, "id": 1}, {"x": 500 + spread, "y": 400, "id": 2}]
        page.call("Input.dispatchTouchEvent", type=kind, touchPoints=points)
    page.call("Input.dispatchTouchEvent", type="touchEnd", touchPoints=[])
    assert page.run("eye.scale") == pytest.approx(8, rel=0.05) and scale == 20
    page.run("stage.focus(), zoomTo(20)")
    x = page.run("eye.x")
    page.press("ArrowRight")
    assert page.run("eye.x") > x
    for key, wanted in (
        ("0", "eye.fitted"),
        ("1", "eye.scale === 1"),
        ("+", "eye.scale === 1.25"),
        ("-", "eye.scale === 1"),
    ):
        page.run(f"stage.dispatchEvent(new KeyboardEvent('keydown', {{key: '{key}', bubbles: true}}))")
        assert page.run(wanted), key
    assert page.complaints == []


def test_means_of_pixels_are_said_and_counted_in_the_zoom(
    tab: Any, balanced_work: Callable[..., Work], tmp_path: Path
) -> None:
    (tmp_path / "small.html").write_text(explore_page(balanced_work(), factor=3), encoding="utf-8")
    tab.open(tmp_path / "small.html", until=READY)
    click(tab, "true-size")
    assert text_of(tab, "zoom") == "33 %; a pixel here is the mean of 3 x 3"
    assert text_of(tab, "true-size") == "33 %"
    assert text_of(tab, "caption").startswith("Means of 3 x 3 pixels")


def test_what_a_run_makes_otherwise_is_said(
    tab: Any, balanced_work: Callable[..., Work], tmp_path: Path
) -> None:
    work = balanced_work(settings={"finish.chroma_reduction": 0.6})
    (tmp_path / "noise.html").write_text(explore_page(work), encoding="utf-8")
    tab.open(tmp_path / "noise.html", until=READY)
    first = shown(tab, work)
    made = computed(work, work.recipe)
    assert np.abs(first - made)[made.max(axis=2) < 250].max() <= 1
    assert "anew" not in text_of(tab, "caption")
    move(tab, "blend.red.amount-slider", 2.0)
    tab.run("blendPage.settled()")
    assert "Colour noise is taken out as measured when the page was made; a run measures it anew." in text_of(
        tab, "caption"
    )


def test_undo_redo_and_the_address_keep_what_was_set(page: Any, balanced_work: Callable[..., Work]) -> None:
    work = balanced_work()
    first = shown(page, work)
    move(page, "blend.red.amount-slider", 2.0)
    second = shown(page, work)
    move(page, "finish.contrast-slider", 0.6)
    third = shown(page, work)
    page.run("document.dispatchEvent(new KeyboardEvent('keydown', {key: 'z', ctrlKey: true}))")
    assert np.array_equal(shown(page, work), second)
    click(page, "undo")
    assert np.array_equal(shown(page, work), first) and page.run("document.getElementById('undo').disabled")
    page.run(
        "document.dispatchEvent(new KeyboardEvent('keydown', {key: 'z', ctrlKey: true, shiftKey: true}))"
    )
    click(page, "redo")
    assert np.array_equal(shown(page, work), third)
    page.run("keepIn('B', values)")
    page.run("filling")
    address = page.run("location.href")
    assert "blend.red.amount=2" in address and "B=" in address
    part = address.partition("#")[2]
    page.call("Page.reload")
    page.wait("document.readyState === 'complete'")
    page.wait(READY)
    assert np.array_equal(shown(page, work), third)
    assert page.run("filling.then(() => slots.B.numbers !== null)")
    # A link that was sent, opened in a page that is open; and one that was damaged.
    page.run("location.hash = ''")
    page.wait("Object.keys(changesOf(values)).length === 0")
    page.run(f"location.hash = {part!r}")
    page.wait("values['finish.contrast'] === 0.6")
    page.run("location.hash = 'blend.red.amount=77&no.such=1&blend.luminance.amount=0.5'")
    page.wait("document.getElementById('status').textContent.includes('blend.red.amount, no.such')")
    assert page.run("values['blend.red.amount']") == 1 and page.run("values['blend.luminance.amount']") == 0.5
    assert page.complaints == []


def test_places_keep_looks_with_numbers_as_the_trial_tells_them(
    tab: Any, balanced_work: Callable[..., Work], tmp_path: Path
) -> None:
    from blend.app.trial.tile_numbers import Yardstick

    work = balanced_work(shape=(240, 320))
    tiles = [
        {"tile": 3, "values": {"blend.red.amount": 0.25}},
        {"tile": 4, "values": {"continuum.ha.scale": 1.0}},
    ]
    (tmp_path / "places.html").write_text(explore_page(work, tiles=tiles), encoding="utf-8")
    tab.open(tmp_path / "places.html", until=READY)
    move(tab, "blend.red.amount-slider", 2.0)
    shown(tab, work)
    click(tab, "keep-A")
    tab.run("filling")
    told = tab.run("slots.A.numbers")
    done = run_all(
        work.with_(recipe=balanced_work(settings={"blend.red.amount": 2.0}).recipe), steps=PICTURE_STEPS
    )
    bare = run_all(work.with_(recipe=work.recipe.model_copy(update={"blend": {}})), steps=PICTURE_STEPS)
    numbers = Yardstick(work, 1).measure(done, bare)
    # Codes of 8 bits, of fewer places.
    assert told["contrast"] == pytest.approx(numbers["emission_contrast"], rel=0.02)
    assert told["noise"] == pytest.approx(numbers["sky_noise"], rel=0.05)
    assert "white" in text_of(tab, "slot-A")
    # The trial's tile goes into the next place; one that needs a run says so.
    assert tab.run("document.getElementById('tile').options[1].disabled")
    click(tab, "load-tile")
    tab.run("filling")
    assert tab.run("slots.B.values['blend.red.amount']") == 0.25 and "tile 3" in text_of(tab, "slot-B")
    move(tab, "show", "A")
    move(tab, "against", "B")
    shown(tab, work)
    stronger, weaker = (pixels_of(tab, work.rgb.shape, name) for name in ("over", "under"))
    assert (stronger[..., 0] - weaker[..., 0]).max() > 10
    click(tab, "use-B")
    tab.run("blendPage.settled()")
    assert tab.run("values['blend.red.amount']") == 0.25
    assert tab.complaints == []


def test_a_number_out_of_range_is_marked_and_explained(page: Any, balanced_work: Callable[..., Work]) -> None:
    work = balanced_work()
    before = shown(page, work)
    move(page, "blend.red.amount", 7)
    assert np.array_equal(shown(page, work), before)
    assert page.run("document.getElementById('blend.red.amount').getAttribute('aria-invalid')") == "true"
    assert (
        text_of(page, "blend.red.amount-wrong")
        == "7 is not taken: weight goes from 0 to 3. The picture keeps 1."
    )
    move(page, "blend.red.amount", 2)
    assert page.run("document.getElementById('blend.red.amount-wrong').hidden")
    assert not np.array_equal(shown(page, work), before)


def test_buttons_say_what_they_did(page: Any) -> None:
    page.run("navigator.clipboard.writeText = async (text) => { window.copied = text; }")
    page.run("document.querySelector('[data-copy=command]').click()")
    page.wait("document.querySelector('[data-copy=command]').textContent === 'Copied'")
    assert page.run("window.copied") == text_of(page, "command")
    page.run("HTMLAnchorElement.prototype.click = function () { window.saved = [this.download, this.href]; }")
    click(page, "save")
    assert page.run("window.saved[0]") == "kept.toml" and page.run("window.saved[1]").startswith("blob:")
    assert text_of(page, "save") == "Saved: kept.toml"
    click(page, "keep-free")
    assert text_of(page, "keep-free") == "In place A"
    page.wait("document.querySelector('#slot-A dl')")


@pytest.mark.parametrize("view", ["without", "opened", "line ha", "added", "mask"])
def test_every_view_shows_something_of_its_own(
    page: Any, balanced_work: Callable[..., Work], view: str
) -> None:
    work = balanced_work()
    move(page, "blend.red.amount-slider", 2.0)
    first = shown(page, work)
    move(page, "show", view)
    assert not np.array_equal(first, shown(page, work))
    assert page.complaints == []


def test_keys_alone_reach_everything(page: Any) -> None:
    page.run("document.activeElement.blur()")
    click(page, "wipe")
    name = "e.id || e.dataset.copy || e.tagName"
    wanted = set(
        page.run(
            "[...document.querySelectorAll('input, select, button, summary, [tabindex]')]"
            ".filter((e) => e.checkVisibility({contentVisibilityAuto: true}) && e.offsetParent !== null && !e.disabled)"
            f".map((e) => {name})"
        )
    )
    reached = set()
    for _ in range(70):
        page.press("Tab")
        reached.add(page.run(f"((e) => {name})(document.activeElement)"))
    assert wanted - reached == set()
    page.run("document.getElementById('blend.red.amount-slider').focus()")
    old = page.run("values['blend.red.amount']")
    page.press("ArrowRight")
    assert page.run("values['blend.red.amount']") > old


@pytest.mark.parametrize("width", [1400, 800, 390, 320])
def test_nothing_sticks_out_at_any_width(page: Any, width: int) -> None:
    # 320 px is what a window of 1280 px has at 400 % zoom (WCAG 2.1, 1.4.10 Reflow).
    page.resize(width, 900)
    assert page.run("document.documentElement.scrollWidth") <= width
    assert page.run("document.getElementById('panel').scrollWidth") <= page.run(
        "document.getElementById('panel').clientWidth"
    )


def test_in_print_the_picture_is_whole_and_as_wide_as_the_paper(page: Any) -> None:
    page.resize(720, 900)
    page.call("Emulation.setEmulatedMedia", media="print")
    left, right, shape = page.run(
        "(({left, right, width, height}) => [left, right, width / height])"
        "(document.getElementById('over').getBoundingClientRect())"
    )
    under = page.run("getComputedStyle(document.getElementById('under')).display")
    hidden = page.run(
        "[...document.querySelectorAll('button, input[type=range]')].every((e) => e.offsetParent === null)"
    )
    page.call("Emulation.setEmulatedMedia", media="")
    assert (left, right, under, hidden) == (0, 720, "none", True)
    assert shape == pytest.approx(page.run("WIDTH / HEIGHT"), rel=0.01)


def test_histogram_counts_and_marks(page: Any, balanced_work: Callable[..., Work]) -> None:
    work = balanced_work()
    picture = shown(page, work)
    page.wait("document.getElementById('shares').textContent.includes('%')")
    rows = page.run(
        "[...document.querySelectorAll('#shares tr')].map((r) => [...r.children].map((c) => c.textContent))"
    )
    for plane, row in enumerate(rows):
        black, white = (float(cell.split()[0]) for cell in row[2:])
        assert black == pytest.approx(100 * (picture[..., plane] == 0).mean(), abs=6e-4)
        assert white == pytest.approx(100 * (picture[..., plane] == 255).mean(), abs=6e-4)


def test_dim_red_leaves_no_green_or_blue(page: Any, tmp_path: Path) -> None:
    click(page, "scheme")
    page.resize(800, 700)
    page.screenshot(tmp_path / "red.png")
    from skimage.io import imread

    picture = imread(tmp_path / "red.png").astype(float)
    assert picture[..., 0].mean() > 2 * picture[..., 1].mean()
    # A screen's own light: no control and no scroll bar shines in another colour.
    assert picture[..., 1:].max() < 50
    assert page.complaints == []


def serious_faults(tab: Any, axe: str) -> list[Any]:
    """Return what axe-core calls serious or critical on the page as it stands."""
    tab.run(f"{axe}; 0")
    code = "axe.run().then((r) => r.violations.map((v) => [v.id, v.impact, v.nodes.map((n) => n.html.slice(0, 90))]))"
    return [fault for fault in tab.run(code) if fault[1] in ("serious", "critical")]


@pytest.mark.network
@pytest.mark.parametrize("width", [1400, 800, 390])
@pytest.mark.parametrize("scheme", ["light", "dark", "red"])
def test_axe_finds_no_fault(page: Any, axe: str, scheme: str, width: int) -> None:
    page.resize(width, 900)
    page.call(
        "Emulation.setEmulatedMedia",
        features=[{"name": "prefers-color-scheme", "value": "dark" if scheme == "dark" else "light"}],
    )
    if scheme == "red":
        click(page, "scheme")
    click(page, "wipe")
    move(page, "blend.red.amount", 9)
    page.run("keepIn('A', values).then(() => blendPage.settled())")
    page.run(f"{axe}; 0")
    code = "axe.run().then((r) => r.violations.map((v) => [v.id, v.impact, v.nodes.map((n) => n.html.slice(0, 90))]))"
    assert page.run(code) == []


HOSTILE = (
    '</script></title><img src=x onerror="window.struck = true"><script>window.struck = true</script>'
    "'{{ 7 * 7 }}"
)


def test_hostile_words_run_on_no_page(
    tab: Any, small_demo: Path, balanced_work: Callable[..., Work], tmp_path: Path
) -> None:
    # Titles, paths, warnings with header text in them and a formula's own words: all that a stranger may write.
    text = (
        f"title = {json.dumps(HOSTILE)}\n[blend.red]\ninto = 'red'\nfrom = 'ha'\nformula = 'mine'\n[formulas.mine]\n"
        f"domain = 'display'\nequation = 'max(base, line)'\nneutral = 'sky'\nabout = {json.dumps(HOSTILE)}\n"
    )
    work = run_all(balanced_work(text), steps=PICTURE_STEPS)
    work = work.with_(target=work.target.model_copy(update={"name": HOSTILE}))
    record = json.loads((small_demo / "result" / "record.json").read_text(encoding="utf-8"))
    record["recipe"]["title"] = HOSTILE
    record["warnings"] = [{"code": HOSTILE, "text": HOSTILE}]
    for entry in record["inputs"]:
        entry.update(role=HOSTILE, path=HOSTILE, sha256=HOSTILE)
    assert work.display is not None
    whole = (0, 0, *work.rgb.shape[::-1])
    shown = work.display
    pictures = Pictures(
        shown, None, shown, shown, 1, Frame(lambda planes: planes, work.rgb.shape, whole, whole)
    )
    pages = {
        "explore.html": (
            explore_page(balanced_work(text), command=shlex.join(["blend", "run", HOSTILE])),
            READY,
        ),
        "report.html": (
            report_page(
                work,
                record,
                pictures,
                LightViews.of(work, pictures.frame),
                command=shlex.join(["blend", "run", HOSTILE]),
            ),
            "document.readyState === 'complete'",
        ),
    }
    for name, (page, ready) in pages.items():
        (tmp_path / name).write_text(page, encoding="utf-8")
        tab.open(tmp_path / name, until=ready)
        assert tab.run("document.title").startswith(HOSTILE)
        assert tab.run("document.body.innerText.includes('{{ 7 * 7 }}')")
        assert tab.run("window.struck === undefined && !document.querySelector('img[src=x]')")
        assert tab.complaints == []
