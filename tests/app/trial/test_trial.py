"""Trying and keeping: what is shared is right, what is refused says why, and the kept recipe repeats the tile."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from blend.app.run.load import open_recipe, open_target, recipe_text
from blend.app.trial import step_cache
from blend.app.trial.input_key import code_hash, input_hash
from blend.app.trial.keep import keep_address, keep_file, keep_tile
from blend.app.trial.layers import View, parse_view, shown
from blend.app.trial.step_cache import StepCache
from blend.app.trial.trial import Question, read_trial, try_variants
from blend.app.trial.variants import make_variants, parse_variation
from blend.base.errors import BlendError
from blend.files.store import DiskStore
from blend.recipe.pipeline import PICTURE_STEPS, STEPS, run_all
from blend.recipe.state import Work
from blend.recipe.target import Target


@pytest.fixture(scope="module")
def night(tmp_path_factory: pytest.TempPathFactory) -> Path:
    from blend.app.demo.demo import write_night
    from blend.science.simulated.night import SceneOptions, simulate_night

    return write_night(simulate_night(SceneOptions(rows=300, columns=420)), tmp_path_factory.mktemp("night"))


def question(target: Target, *words: str, view: View | None = None) -> Question:
    text, where = recipe_text("galaxy-moonlit")
    return Question(
        recipe_text=text,
        recipe_name=where,
        variations=[parse_variation(word) for word in words],
        target=target,
        target_path="night.target.toml",
        view=view or View(),
        settings={},
        root="/some where",
        recipe_word="galaxy-moonlit",
    )


def test_every_tile_is_the_picture_a_run_makes_and_the_kept_recipe_makes_it_again(
    night: Path, tmp_path: Path
) -> None:
    from blend.app.run.load import load_sources

    target = open_target(night)
    asked = question(
        target, "blend.red.amount=0.5,1", "blend.luminance.formula=screen,maximum", view=View(scale="full")
    )
    trial = try_variants(asked, out=tmp_path / "trial", store=DiskStore(tmp_path / "store"))
    assert [tile["values"]["blend.red.amount"] for tile in trial["tiles"]] == [0.5, 0.5, 1, 1]
    kept, run_words = keep_tile(tmp_path / "trial", 4, out=tmp_path / "kept.toml")
    recipe = open_recipe(str(kept), target=target)
    assert recipe.blend["luminance"].formula == "maximum"
    assert "maximum" in recipe.title
    # Only what differs is written, with its reason; the tile's other value is the recipe's own.
    words = [line for line in kept.read_text(encoding="utf-8").splitlines() if line]
    assert 'extends = "galaxy-moonlit"' in words and "# Kept from tile 4" in words[0]
    assert [word for word in words if not word.startswith("#")][3:] == [
        "[blend.luminance]",
        'formula = "maximum"',
    ]
    assert run_words == [str(kept), "night.target.toml", "--root", "/some where"]
    whole = run_all(Work(recipe=recipe, target=target, sources=load_sources(target).sources))
    variants = make_variants(asked.recipe_text, asked.variations, where="r", target=target, settings={})
    again = StepCache(target, View(scale="full"), store=DiskStore(tmp_path / "store"))
    ((_, _, work, _),) = again.pictures([variants[3].recipe])
    again.close()
    assert again.found == "state"
    assert whole.display is not None and work.display is not None
    assert np.array_equal(work.display, whole.display, equal_nan=True)
    assert np.array_equal(shown(work, asked.view, 1), shown(whole, asked.view, 1), equal_nan=True)
    assert read_trial(tmp_path / "trial")["tiles"] == trial["tiles"]
    assert (tmp_path / "trial" / "sheet.png").is_file()
    # the page opens with the tile that is the recipe as it stands, here the third
    command = "blend run galaxy-moonlit night.target.toml --root '/some where' --set blend.red.amount=1"
    assert trial["page"]["command"] == command + " --set blend.luminance.formula=screen"
    zero = trial["tiles"][2]["numbers"]
    assert zero["emission_gain"] > 1.0


def test_a_preview_solves_to_the_full_stretch_and_layers_from_the_store_are_the_same(
    night: Path, tmp_path: Path
) -> None:
    target = open_target(night)
    recipes = [
        v.recipe
        for v in make_variants(
            recipe_text("galaxy-moonlit")[0],
            [parse_variation("blend.red.amount=0,1")],
            where="r",
            target=target,
            settings={},
        )
    ]
    shown = {}
    for name, view, store in (
        ("full", View(scale="full"), None),
        ("half", View(scale=2), DiskStore(tmp_path)),
        ("again", View(scale=2), DiskStore(tmp_path)),
    ):
        cache = StepCache(target, view, store=store)
        shown[name] = {index: work for index, _, work, _ in cache.pictures(recipes)}
        cache.close()
        assert cache.found == ("layers" if name == "again" else "")
    assert shown["half"][1].recorded["stretch"] == shown["full"][1].recorded["stretch"]
    for index in (0, 1):
        pair = [shown[name][index].display for name in ("again", "half")]
        assert pair[0] is not None and pair[1] is not None
        assert np.array_equal(pair[0], pair[1], equal_nan=True)


def test_an_earlier_parameter_a_changed_byte_or_changed_code_misses_the_store(
    night: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    target = open_target(night)
    cache = StepCache(target, View(), store=DiskStore(tmp_path))

    def key(*settings: str) -> str:
        return cache._key(cache._chain(open_recipe("galaxy-moonlit", settings=settings))[:6])

    plain = key()
    assert key("blend.red.amount=0.3", "finish.saturation=1.0", "stretch.sky_level=0.2") == plain
    earlier = (
        "gradient.degree=1",
        "continuum.ha.weight_sigma=2.0",
        "balance.white=none",
        "calibrate.hot_sigma=9.0",
    )
    assert len({plain, *(key(setting) for setting in (*earlier, "register.transform=affine"))}) == 6
    monkeypatch.setattr(step_cache, "target_key", lambda *_: "other")
    other = StepCache(target, View(), store=DiskStore(tmp_path))
    assert other._key(other._chain(open_recipe("galaxy-moonlit"))[:6]) != plain


def test_hashes_see_one_byte_of_input_and_of_code(tmp_path: Path) -> None:
    import os

    path = tmp_path / "a.py"
    path.write_bytes(b"x = 1\n")
    stat = path.stat()
    memo = tmp_path / "memo"
    first, code = input_hash(path, memo), code_hash([tmp_path])
    path.write_bytes(b"x = 2\n")
    os.utime(path, ns=(stat.st_atime_ns, stat.st_mtime_ns))
    assert input_hash(path, memo) != first, "also where the time of change was set back"
    assert code_hash([tmp_path]) != code


def test_a_store_that_cannot_be_written_stops_nothing(night: Path, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    trial = try_variants(
        question(open_target(night), "blend.red.amount=0,1"),
        out=tmp_path / "trial",
        store=DiskStore(tmp_path / "file" / "store"),
    )
    assert [warning["code"] for warning in trial["warnings"]].count("store") >= 1
    assert len(trial["tiles"]) == 2


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("blend.red.amount=", "no key or no values"),
        ("blend.red.amount=0,,1", "a value is missing"),
        ("blend.red.amount=0:1:0", "a step, not 0"),
        ("blend.red.amount=1:0:0.1", "a step, not 0"),
        ("blend.red.amount=0:1:0.0001", "10001 variants"),
        ("blend.red.amount=0,0", "given twice"),
        ("output.crop=none", "changes no pixel"),
        ("blend.red.amont=0,1", "there is no key"),
        ("blend.red.amount=0,9", "found 9"),
        ("blend.red.formula=scren", "no formula is called"),
    ],
)
def test_bad_variations_are_refused_in_plain_words(night: Path, words: str, said: str) -> None:
    with pytest.raises(BlendError) as fault:
        make_variants(
            recipe_text("galaxy-moonlit")[0],
            [parse_variation(words)],
            where="r",
            target=open_target(night),
            settings={},
        )
    assert said in str(fault.value)
    assert fault.value.exit_code == 2


BURNS = """
version = 1
[continuum.ha]
from = "red"
[formulas.burn]
domain = "display"
equation = "base + amount * k * max(line - sky, 0)"
neutral = "sky"
params = {k = 1}
[blend.luminance]
into = "luminance"
from = "ha"
formula = "burn"
params = {k = 1}
"""


def test_a_tile_that_burns_out_is_shown_beside_the_others_and_warned_of(night: Path, tmp_path: Path) -> None:
    asked = replace(
        question(open_target(night), "blend.luminance.params.k=1,60"),
        recipe_text=BURNS,
        recipe_name="burn.toml",
    )
    trial = try_variants(asked, out=tmp_path / "trial", store=None)
    assert len(trial["tiles"]) == 2
    told = [entry["text"] for entry in trial["warnings"] if entry["code"] == "blend-loss"]
    assert len(told) == 1
    assert told[0].startswith("tile 2: a run would end here: blend.luminance: the formula 'burn' turns")


@pytest.mark.parametrize(
    ("scale", "crop"), [("0", ""), ("65", ""), ("big", ""), ("full", "1,2,3"), ("full", "middle")]
)
def test_bad_views_are_refused(scale: str, crop: str) -> None:
    with pytest.raises(BlendError):
        parse_view(scale, crop)


def test_crops_are_found_inside_and_refused_outside(night: Path, tmp_path: Path) -> None:
    target, recipe = open_target(night), open_recipe("galaxy-moonlit")
    store = DiskStore(tmp_path)
    boxes = {}
    for crop in ("target", "brightest-emission", "corner", (10, 20, 100, 80)):
        cache = StepCache(target, View(scale="full", crop=crop), store=store)
        work = cache.begin(recipe)
        cache.close()
        boxes[crop] = cache.box
        assert work.rgb.shape == (cache.box[3], cache.box[2])
    assert boxes[10, 20, 100, 80] == (10, 20, 100, 80)
    assert len(set(boxes.values())) == 4
    cache = StepCache(target, View(scale="full", crop=(400, 0, 100, 80)), store=store)
    with pytest.raises(BlendError, match="420 x 300"):
        cache.begin(recipe)
    cache.close()


def test_what_the_target_sets_is_neither_varied_nor_set(night: Path) -> None:
    target = open_target(night).model_copy(update={"set": {"blend": {"red": {"amount": 0.4}}}})
    assert target.settings() == {"blend.red.amount": 0.4}
    text, where = recipe_text("galaxy-moonlit")
    for word, settings in (
        ("blend.red.amount=0,1", {}),
        ("blend.luminance.amount=0,1", {"blend.red.amount": 1.0}),
        ("blend=0,1", {}),
    ):
        with pytest.raises(BlendError, match=r"target file sets blend\.red\.amount itself") as fault:
            make_variants(text, [parse_variation(word)], where=where, target=target, settings=settings)
        assert fault.value.exit_code == 2
    made = make_variants(
        text, [parse_variation("blend.luminance.amount=0,1")], where=where, target=target, settings={}
    )
    assert made[0].recipe.blend["red"].amount == 0.4


def test_steps_are_all_covered() -> None:
    from blend.recipe.stepsettings import step_settings

    recipe = open_recipe("galaxy-moonlit")
    target = Target.model_construct(name="t", masters={"rgb": None, "ha": None})
    assert list(step_settings(recipe, target)) == [step.name for step in STEPS]


def test_the_strength_of_protection_belongs_to_both_kinds_of_blends_and_the_finish_and_to_nothing_before() -> (
    None
):
    from blend.recipe.stepsettings import step_settings

    target = Target.model_construct(name="t", masters={"rgb": None, "ha": None})
    plain, other = (
        step_settings(open_recipe("galaxy-moonlit", settings=settings), target)
        for settings in ((), ("protect.stars=0.5",))
    )
    read = ["linear-blends", "display-blends", "finish"]  # chroma reduction spares stars
    assert [name for name in plain if plain[name] != other[name]] == read


@pytest.mark.parametrize("kept", [False, True])
def test_what_is_worked_out_once_for_all_tiles_serves_none_that_asks_for_another(
    night: Path, tmp_path: Path, kept: bool
) -> None:
    # Tiles in a row that differ in all that the start of the blends reads, each beside the same picture made alone.
    target = open_target(night)
    words = ["protect.stars=0,1", "blend.red.amount=0,1", "blend.luminance.formula=screen,maximum"]
    text = recipe_text("galaxy-moonlit")[0]
    variants = make_variants(
        text, [parse_variation(word) for word in words], where="r", target=target, settings={}
    )
    recipes = [variant.recipe for variant in variants]
    store = DiskStore(tmp_path) if kept else None
    if kept:
        first = StepCache(target, View(scale=2), store=store)
        for _ in first.pictures(recipes):
            pass
        first.close()
    cache = StepCache(target, View(scale=2), store=store)
    for index, layers, work, _ in cache.pictures(recipes):
        alone = run_all(layers.with_(recipe=variants[index].recipe), steps=PICTURE_STEPS)
        assert work.display is not None and alone.display is not None
        assert work.display.tobytes() == alone.display.tobytes(), dict(variants[index].values)
    cache.close()


def test_tiles_are_the_same_bytes_twice_and_on_one_thread_and_on_two(night: Path, tmp_path: Path) -> None:
    from blend.base.rowblocks import limit_threads

    asked = question(open_target(night), "blend.red.amount=0,0.5,1", view=View(scale=2))
    sums = []
    for turn, threads in enumerate((1, 2, 2)):
        with limit_threads(threads):
            trial = try_variants(asked, out=tmp_path / str(turn), store=DiskStore(tmp_path / "store"))
        sums.append([tile["sha256"] for tile in trial["tiles"]])
    assert sums[0] == sums[1] == sums[2]
    assert len(set(sums[0])) == 3


def test_the_neighbourhood_of_emission_is_that_of_a_maximum_filter() -> None:
    from scipy.ndimage import maximum_filter

    from blend.app.trial.tile_numbers import BLOCK, NEAR, grown

    mask = np.random.default_rng(1).random((173, 251)) > 0.9995
    blocks = np.zeros((22, 32), dtype=bool)
    blocks[tuple(np.argwhere(mask).T // BLOCK)] = True
    slow = np.kron(maximum_filter(blocks, size=2 * NEAR + 1), np.ones((BLOCK, BLOCK), dtype=bool))
    assert 0.1 < slow.mean() < 0.95
    assert np.array_equal(grown(mask), slow[:173, :251])


TRIAL = {"version": 1, "recipe": "", "target": "t.toml", "vary": []}
TILE = {"tile": 1, "file": "tiles/1.png", "values": {}, "numbers": {}}


@pytest.mark.parametrize(
    ("trial", "said"),
    [
        ([1], "no trial of this version"),
        ({**TRIAL, "tiles": [TILE], "recipe": 5}, "no trial of this version"),
        ({**TRIAL, "tiles": [TILE], "version": 2}, "no trial of this version"),
        ({**TRIAL, "tiles": [7]}, "no trial of this version"),
        ({**TRIAL, "tiles": [{"tile": 1}]}, "no trial of this version"),
        ({**TRIAL, "tiles": []}, "the trial has no tile 1"),
        ({**TRIAL, "tiles": [TILE]}, "what it says of tile 1 is damaged"),
        ({**TRIAL, "tiles": [{**TILE, "values": {"blend.red.amount": None}}]}, "is damaged"),
        ({**TRIAL, "tiles": [{**TILE, "numbers": {"star_shift": 4}}]}, "is damaged"),
    ],
)
def test_a_damaged_trial_is_refused_in_plain_words(tmp_path: Path, trial: object, said: str) -> None:
    (tmp_path / "trial.json").write_text(json.dumps(trial), encoding="utf-8")
    with pytest.raises(BlendError, match=said) as fault:
        keep_tile(tmp_path, 1, out=None)
    assert fault.value.exit_code in (2, 3)
    assert [path.name for path in tmp_path.iterdir()] == ["trial.json"]


def test_what_the_page_shows_is_kept_by_its_address_or_by_the_recipe_it_saved(
    night: Path, tmp_path: Path
) -> None:
    target, place = open_target(night), tmp_path / "a trial"
    try_variants(question(target, "blend.red.amount=0.5,0.7", view=View(scale=4)), out=place, store=None)
    page = (place / "explore.html").as_uri()
    query = "blend.luminance.formula=mean&finish.contrast=0.4&A=stretch.sky_level%3D0.2"
    # The page opened with the first tile; a look in one of its places is not what is on screen.
    kept, words = keep_address(f"{page}#{query}", out=None)
    assert kept == place / "kept.toml" and words[:2] == [str(kept), "night.target.toml"]
    recipe = open_recipe(str(kept), target=target)
    assert (recipe.blend["red"].amount, recipe.blend["luminance"].formula) == (0.5, "mean")
    assert recipe.finish.contrast == 0.4 and recipe.stretch.sky_level == 0.10
    saved = tmp_path / "downloads" / "kept.toml"
    saved.parent.mkdir()
    saved.write_text(
        f"version = 1\nextends = {json.dumps(str(kept))}\nblend.red.amount = 1.5\n", encoding="utf-8"
    )
    again, words = keep_file(saved, out=tmp_path / "mine.toml")
    assert words == [str(again), "TARGET"]
    assert open_recipe(str(again), target=target).blend["red"].amount == 1.5
    assert "downloads" not in again.read_text(encoding="utf-8")


@pytest.mark.parametrize(
    ("query", "said"),
    [
        ("blend.red.amount=7", "from 0 to 3"),
        ("output.up=north", "recipe keys behind its #"),
        ("blend.no-such.amount=1", "no-such"),
        ("stretch.white=%ff{", "stretch.white"),
    ],
)
def test_an_address_that_tells_no_recipe_is_refused(tmp_path: Path, query: str, said: str) -> None:
    text = recipe_text("galaxy-moonlit")[0]
    (tmp_path / "trial.json").write_text(
        json.dumps({**TRIAL, "recipe": text, "tiles": [TILE]}), encoding="utf-8"
    )
    with pytest.raises(BlendError, match=said) as fault:
        keep_address(f"{tmp_path}/explore.html#{query}", out=None)
    assert fault.value.exit_code == 2
    assert [path.name for path in tmp_path.iterdir()] == ["trial.json"]


@pytest.mark.parametrize("scale", ["full", "preview", 2])
def test_the_sheet_shows_the_target_whole_at_any_scale(
    night: Path, tmp_path: Path, scale: str | int, monkeypatch: pytest.MonkeyPatch
) -> None:
    from blend.app.run import crop_box, target_part
    from blend.app.run.load import load_sources
    from blend.files.png import thumbnail
    from blend.pages import sheet

    target, drawn = open_target(night), []
    monkeypatch.setattr(
        "blend.app.trial.trial.draw_sheet",
        lambda tiles, *a, **k: drawn.extend(tiles) or sheet.draw_sheet(tiles, *a, **k),
    )
    asked = question(target, "blend.red.amount=1", view=View(scale=scale))
    try_variants(asked, out=tmp_path / "trial", store=None)
    recipe = open_recipe("galaxy-moonlit", target=target)
    whole = run_all(Work(recipe=recipe, target=target, sources=load_sources(target).sources))
    x, y, width, height = target_part(whole, crop_box(whole))
    assert min(width, height) > 60 and width < 400
    assert whole.display is not None
    part = whole.display[:, y : y + height, x : x + width]
    factor = 2 if scale == 2 else 1
    assert drawn[0].shape[1:] == pytest.approx((height / factor, width / factor), abs=1.0)
    # upright: the simulated night's rows run as the file's, which for FITS is bottom-up
    small = thumbnail(part[:, ::-1], max(drawn[0].shape[1:]))
    rows, columns = (min(pair) for pair in zip(small.shape[1:], drawn[0].shape[1:], strict=True))
    seen, truth = drawn[0][1, :rows, :columns].ravel(), small[1, :rows, :columns].ravel()
    assert np.corrcoef(seen, truth)[0, 1] > 0.95
