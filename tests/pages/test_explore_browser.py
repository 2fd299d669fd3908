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
from blend.app.trial.explore import explore_page, scene_of
from blend.pages.report import report_page
from blend.pages.viewer import Pictures
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


def pixels_of(tab: Any, shape: tuple[int, ...]) -> np.ndarray:
    """Return the pixels on the canvas, (rows, columns, 3)."""
    # A canvas of our own: reading one again and again is what a browser warns of.
    code = (
        "(() => { const c = document.getElementById('over'), o = new OffscreenCanvas(c.width, c.height)"
        ".getContext('2d'); o.drawImage(c, 0, 0); const d = o.getImageData(0, 0, c.width, c.height).data;"
        " let s = ''; for (const b of d) s += String.fromCharCode(b); return btoa(s); })()"
    )
    flat = np.frombuffer(base64.b64decode(tab.run(code)), dtype=np.uint8)
    return flat.reshape(*shape, 4)[..., :3].astype(int)


def move(tab: Any, name: str, value: object) -> None:
    """Set a control as a hand would, its events included."""
    kind = "change" if isinstance(value, str) else "input"
    tab.run(
        f"(() => {{ const e = document.getElementById({name!r}); e.value = {value!r};"
        f" e.dispatchEvent(new Event({kind!r}, {{bubbles: true}})); }})()"
    )


def settings_of(work: Work) -> dict[str, Any]:
    """Return a recipe's blends as the page's script keeps them."""
    facts = scene_of(work, 1).facts
    return {"sky_level": facts["stretch"]["sky_level"], "blends": list(facts["blends"])}


def computed(work: Work, recipe: Recipe) -> np.ndarray:
    """Return the program's own picture before finish, 8 bits."""
    display = run_all(work.with_(recipe=recipe), steps=PICTURE_STEPS[:-1]).display
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


def test_sliders_and_formulas_change_the_picture_and_the_copied_text_makes_it_again(
    page: Any, balanced_work: Callable[..., Work]
) -> None:
    work = balanced_work()
    before = shown(page, work)
    move(page, "blend.red.amount-slider", 2.0)
    stronger = shown(page, work)
    assert (stronger[..., 0] - before[..., 0]).max() > 10
    move(page, "blend.luminance.amount", 0.8)
    move(page, "stretch.sky_level-slider", 0.15)
    move(page, "blend.red.formula", "maximum")
    last = shown(page, work)
    assert np.abs(last - stronger).max() > 10
    # The command and the recipe on screen, each by itself, give what is on the canvas.
    words = shlex.split(page.run("document.getElementById('command').textContent"))
    assert words[:4] == ["blend", "run", "r.toml", "t.toml"]
    settings = dict(parse_setting(text) for text in words[5::2])
    assert settings["blend.red.formula"] == "maximum" and settings["blend.red.share"] == "none"
    text = page.run("document.getElementById('recipe').textContent")
    recipes = (balanced_work(settings=settings).recipe, load_recipe(text, where="copied.toml"))
    for recipe in recipes:
        made = computed(work, recipe)
        dark = made.max(axis=2) < 250
        assert np.abs(made - last)[dark].max() <= 1
    page.run("document.getElementById('reset').click()")
    assert np.array_equal(shown(page, work), before)
    assert page.complaints == []


def test_the_copied_command_run_by_the_program_gives_what_is_on_screen(tab: Any, tmp_path: Path) -> None:
    from astropy.io import fits
    from click.testing import CliRunner

    from blend.app.cli.commands import blend
    from blend.app.demo.demo import write_night
    from blend.science.simulated.night import SceneOptions, simulate_night

    def call(*words: str) -> None:
        done = CliRunner().invoke(blend, words)
        assert done.exit_code == 0, done.output

    target = write_night(simulate_night(SceneOptions(rows=300, columns=420)), tmp_path)
    # Without finish, which the page leaves out.
    text, _ = recipe_text("galaxy-moonlit")
    before, _, after = text.partition("[finish]")
    recipe = tmp_path / "my recipe.toml"
    recipe.write_text(before + after[after.index("[output]") :], encoding="utf-8")
    varied = ["--vary", "blend.red.amount=0.5", "--no-store", "--out", str(tmp_path / "trial")]
    call("try", str(recipe), str(target), *varied)
    tab.open(tmp_path / "trial" / "explore.html", until=READY)
    move(tab, "blend.red.amount-slider", 1.4)
    move(tab, "blend.luminance.formula", "mean")
    move(tab, "blend.luminance.amount", 0.45)
    move(tab, "stretch.sky_level-slider", 0.13)
    tab.run("blendPage.settled()")
    words = shlex.split(tab.run("blendPage.command()"))
    assert words[:4] == ["blend", "run", str(recipe), str(target)]
    keys = [word.split("=")[0] for word in words if "=" in word]
    assert "blend.red.amount" in keys and len(keys) == len(set(keys))
    call(*words[1:], "--out", str(tmp_path / "run"), "--quiet")
    result = np.moveaxis(fits.getdata(tmp_path / "run" / "result.fits"), 0, -1)[::-1]
    made = np.floor(255.0 * np.nan_to_num(result) + 0.5).astype(int)
    picture = pixels_of(tab, made.shape[:2])
    assert picture.std() > 3
    apart = np.abs(picture - made).max(axis=2)
    apart[made.max(axis=2) >= 250] = 0
    star = np.squeeze(fits.getdata(tmp_path / "run" / "star-mask.fits"))[::-1] > 0
    assert apart[~star].max() <= 1
    # In a dozen pixels of one star, beside bright line light, two: what a star may gain there is told from its fill.
    assert apart[star].max() <= 2
    assert np.count_nonzero(apart > 1) <= 20


CHIP_FORMS: dict[str, tuple[dict[str, Any], list[dict[str, Any]]]] = {
    "colour kept": (
        {},
        [
            {},
            {"blend.red.formula": "mean", "blend.red.share": "none", "blend.luminance.method": "oklab"},
            {"blend.luminance.formula": "soft-light", "blend.luminance.method": "cielab"},
            {"blend.luminance.formula": "emission-add", "blend.luminance.amount": 0.7},
            {"blend.luminance.formula": "maximum-above-noise", "stretch.sky_level": 0.2},
        ],
    ),
    "planes alone": (
        {"stretch.colour": "planes", "stretch.curve": "power", "protect.stars": 0.5},
        [{"blend.red.formula": "maximum", "blend.red.share": "none", "blend.red.amount": 0.8}],
    ),
}


@pytest.mark.parametrize("form", CHIP_FORMS)
def test_the_shader_makes_what_the_program_makes(
    form: str, tab: Any, balanced_work: Callable[..., Work], tmp_path: Path
) -> None:
    own, moved = CHIP_FORMS[form]
    (tmp_path / "chip.html").write_text(explore_page(balanced_work(settings=own)), encoding="utf-8")
    # Where there is no graphics chip the browser imitates one, slowly, for this test alone.
    tab.open(tmp_path / "chip.html", until=READY, part="imitated-chip")
    for change in moved:
        work = balanced_work(settings={**own, **change})
        tab.run(f"settings = {json.dumps(settings_of(work))}; redraw()")
        picture, made = shown(tab, work), computed(work, work.recipe)
        assert np.abs(picture - made)[made.max(axis=2) < 250].max() <= 1
        assert tab.run("blendPage.onChip()")
    # A chip that computes otherwise is left for the workers, and nothing wrong stays on screen.
    tab.run("withLines.data.fill(90); painter.current().known = false; blendPage.checkChip()")
    again = shown(tab, work)
    assert not tab.run("blendPage.onChip()")
    assert np.abs(again - made)[made.max(axis=2) < 250].max() <= 1


@pytest.mark.parametrize("slow", [False, True])
def test_a_chip_slower_than_the_bar_gives_way_to_the_processors(
    slow: bool, tab: Any, balanced_work: Callable[..., Work], tmp_path: Path
) -> None:
    work = balanced_work()
    (tmp_path / "chip.html").write_text(explore_page(work), encoding="utf-8")
    # Judged by its speed as a real chip is, by a clock that goes as asked.
    tab.open(tmp_path / "chip.html", until=READY, part="imitated-chip-on-trial")
    tab.run(f"performance.now = ((now) => () => (now += {50 if slow else 1}))(0)")
    tab.run("blendPage.measure(blendPage.moves()[0], 6)")
    tab.run("blendPage.settled().then(() => blendPage.checkChip())")
    picture, made = shown(tab, work), computed(work, work.recipe)
    assert tab.run("blendPage.onChip()") != slow
    assert np.abs(picture - made)[made.max(axis=2) < 250].max() <= 1


@pytest.mark.parametrize("view", ["without", "wipe", "line ha", "added", "mask"])
def test_every_view_shows_something_of_its_own(
    page: Any, balanced_work: Callable[..., Work], view: str
) -> None:
    work = balanced_work()
    first = shown(page, work)
    page.run(f"document.querySelector('input[value=\"{view}\"]').click()")
    second = shown(page, work)
    if view == "wipe":
        assert np.array_equal(first, second)
        assert page.run("document.getElementById('over').style.clipPath") == "inset(0px 0px 0px 50%)"
        assert page.run("!document.getElementById('seam').hidden")
    else:
        assert not np.array_equal(first, second)
    assert page.complaints == []


def test_blink_turns_line_and_colour_and_stops(page: Any, balanced_work: Callable[..., Work]) -> None:
    page.run("document.getElementById('blink').click()")
    first = shown(page, balanced_work())
    page.wait("lit")
    second = shown(page, balanced_work())
    assert not np.array_equal(first, second)
    page.run("document.getElementById('blink').click()")
    assert page.run("document.getElementById('blink').getAttribute('aria-pressed')") == "false"
    assert page.run("blinking") == 0


def test_keys_alone_reach_and_work_everything(page: Any) -> None:
    page.run("document.querySelector('#lens-on').focus()")
    page.press(" ")
    assert page.run("!document.getElementById('lens-box').hidden")
    page.run("document.activeElement.blur()")
    wanted = set(
        page.run(
            "[...document.querySelectorAll('input:not([type=radio]), select, button, [tabindex]')]"
            ".filter((e) => e.offsetParent !== null).map((e) => e.id || e.dataset.copy || e.getAttribute('aria-label'))"
        )
    )
    reached = set()
    for _ in range(60):
        page.press("Tab")
        reached.add(
            page.run(
                "document.activeElement.id || document.activeElement.dataset.copy"
                " || document.activeElement.getAttribute('aria-label') || document.activeElement.name"
            )
        )
    assert wanted - reached == set()
    assert "view" in reached
    page.run("document.getElementById('blend.red.amount-slider').focus()")
    old = page.run("settings.blends[0].amount")
    page.press("ArrowRight")
    assert page.run("settings.blends[0].amount") > old
    page.run("document.getElementById('stage').focus()")
    text = page.run("document.getElementById('lens-text').textContent")
    page.press("ArrowRight")
    assert page.run("document.getElementById('lens-text').textContent") != text


@pytest.mark.parametrize("width", [1400, 390, 320])
def test_nothing_sticks_out_at_any_width(page: Any, width: int) -> None:
    # 320 px is what a window of 1280 px has at 400 % zoom (WCAG 2.1, 1.4.10 Reflow).
    page.resize(width, 900)
    assert page.run("document.documentElement.scrollWidth") <= width


def test_histogram_counts_and_marks(page: Any, balanced_work: Callable[..., Work]) -> None:
    work = balanced_work()
    picture = shown(page, work)
    rows = page.run(
        "[...document.querySelectorAll('#shares tr')].map((r) => [...r.children].map((c) => c.textContent))"
    )
    for plane, row in enumerate(rows):
        black, white = (float(cell.split()[0]) for cell in row[2:])
        assert black == pytest.approx(100 * (picture[..., plane] == 0).mean(), abs=6e-4)
        assert white == pytest.approx(100 * (picture[..., plane] == 255).mean(), abs=6e-4)


def test_dim_red_leaves_no_green_or_blue(page: Any, tmp_path: Path) -> None:
    page.run("document.getElementById('scheme').click()")
    page.resize(800, 700)
    page.screenshot(tmp_path / "red.png")
    from skimage.io import imread

    picture = imread(tmp_path / "red.png").astype(float)
    assert picture[..., 0].mean() > 2 * picture[..., 1].mean()
    assert np.percentile(picture[..., 1], 99.5) < 130
    # A screen's own light: no control and no scroll bar shines in another colour.
    assert picture[..., 1:].max() < 50
    assert page.complaints == []


def serious_faults(tab: Any, axe: str) -> list[Any]:
    """Return what axe-core calls serious or critical on the page as it stands."""
    tab.run(f"{axe}; 0")
    code = "axe.run().then((r) => r.violations.map((v) => [v.id, v.impact, v.nodes.map((n) => n.html.slice(0, 90))]))"
    return [fault for fault in tab.run(code) if fault[1] in ("serious", "critical")]


@pytest.mark.network
@pytest.mark.parametrize("red", [False, True])
def test_axe_finds_no_serious_fault(page: Any, axe: str, red: bool) -> None:
    page.resize(1400, 900)
    if red:
        page.run("document.getElementById('scheme').click()")
    page.run(
        "document.querySelector('input[value=wipe]').click(), document.getElementById('lens-on').click()"
    )
    assert serious_faults(page, axe) == []


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
    pictures = Pictures(shown, None, shown, shown, 1, lambda planes: planes, work.rgb.shape, whole, whole)
    pages = {
        "explore.html": (explore_page(balanced_work(text), command=HOSTILE), READY),
        "report.html": (
            report_page(work, record, pictures, command=HOSTILE),
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
