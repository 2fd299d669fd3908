"""Commands that would write over what they read, or over what others made."""

from __future__ import annotations

import json
import os
import shutil
from collections.abc import Callable
from pathlib import Path

import numpy as np
from wrong_cases.cases import Case, Make, night, run_words

from blend.app.load import recipe_text
from blend.files.fits import write_fits

READS = "the command reads"
FOREIGN = "blend did not write, or that was changed since"
MOON = ["moon", "--ra", "202.47", "--dec", "47.2", "--time", "2026-04-28T22:00", "--site", "50,8,120"]


def _named(name: str, out: str) -> Make:
    """Run with a colour master called like a result, and its folder or another for the results."""

    def make(folder: Path) -> list[str]:
        night(folder)
        (folder / "old").mkdir()
        shutil.move(folder / "rgb-light.fits", folder / "old" / name)
        masters = ["-m", f"rgb={folder / 'old' / name}", "-m", f"ha={folder / 'ha-light.fits'}"]
        return ["run", "galaxy-moonlit", *masters, "--out", str(folder / out), "--quiet"]

    return make


def _in_out(put: Callable[[Path, Path], object], name: str, *words: str, run: bool = True) -> Make:
    """Have something stand where a run, or else a trial, leaves ``name``."""

    def make(folder: Path) -> list[str]:
        target = night(folder)
        place = folder / "out" / name
        place.parent.mkdir(parents=True)
        put(place, folder)
        if run:
            return run_words(target, *words)
        return [
            "try",
            "galaxy-moonlit",
            str(target),
            "--vary",
            "blend.red.amount=0,1",
            "--out",
            "out",
            *words,
        ]

    return make


def _link(place: Path, folder: Path) -> None:
    place.symlink_to(folder / "rgb-light.fits")


def _hard_link(place: Path, folder: Path) -> None:
    os.link(folder / "ha-light.fits", place)


def _note(place: Path, _: Path) -> None:
    place.write_text("notes of the night")


def _folder(place: Path, _: Path) -> None:
    place.mkdir()


def _log(name: str) -> Make:
    def make(folder: Path) -> list[str]:
        return run_words(night(folder), "--log", str(folder / name))

    return make


def _log_of_others(line: str) -> Make:
    def make(folder: Path) -> list[str]:
        (folder / "night.log").write_text(line)
        return run_words(night(folder), "--log", str(folder / "night.log"))

    return make


def _keep(*, edited: bool) -> Make:
    """Keep a tile where one was kept before, and perhaps edited since."""

    def make(folder: Path) -> list[str]:
        from blend.app.keep import keep_tile

        tile = {"tile": 1, "file": "tiles/1.png", "values": {"blend.red.amount": 0.5}, "numbers": {}}
        told = {"version": 1, "recipe": recipe_text("galaxy-moonlit")[0], "target": "t", "vary": []}
        (folder / "trial.json").write_text(json.dumps({**told, "tiles": [tile]}))
        path, _ = keep_tile(folder, 1, out=folder / "mine.toml", reason="a try")
        if edited:
            path.write_text(path.read_text().replace("0.5", "0.55"))
        return ["keep", str(folder), "1", "--out", str(path), "--reason", "the best"]

    return make


def _stack(*words: str) -> Make:
    def make(folder: Path) -> list[str]:
        draw = np.random.default_rng(1)
        for number in range(3):
            pixels = draw.normal(500.0, 5.0, (1, 40, 60)).astype(np.float32)
            write_fits(folder / f"d{number}.fits", pixels, planes=("grey",), cards={"IMAGETYP": "dark"})
        (folder / "table.csv").write_text("frame,clouds\nd0,none\n")
        return ["stack", "dark", *(f"d{number}.fits" for number in range(3)), "--quiet", *words]

    return make


def _plot(name: str) -> Make:
    def make(folder: Path) -> list[str]:
        (folder / "photo.png").write_bytes(b"\x89PNG, of the observatory")
        return [*MOON, "--plot", name]

    return make


def _plan(*, edited: bool) -> Make:
    def make(folder: Path) -> list[str]:
        from blend.app.nights import plan_folder, write_plan

        for name, planes, cards in (("rgb", 3, {}), ("ha", 1, {"FILTER": "Ha"})):
            pixels = np.full((planes, 8, 12), 0.1, np.float32)
            colours = ("red", "green", "blue")[:planes]
            cards |= {"OBJECT": "M 33", "IMAGETYP": "light"}
            write_fits(folder / f"{name}.fits", pixels, planes=colours, cards=cards)
        (path,) = write_plan(plan_folder(folder, out=folder))
        if edited:
            path.write_text(path.read_text() + "width_nm = 7\n")
        return ["plan", str(folder)]

    return make


def _batch(out: str, *, page: bool = False) -> Make:
    """Do two targets, the second of which has its colour master where the first one's results go in ``mixed``."""

    def make(folder: Path) -> list[str]:
        for number in range(2):
            target = night(folder / "in" / str(number))
            target.write_text(target.read_text().replace("lantern-spiral", f"t-{number}", 1))
        target.write_text(target.read_text().replace("rgb-light.fits", "../../mixed/t-0/linear.fits"))
        (folder / "mixed" / "t-0").mkdir(parents=True)
        shutil.move(folder / "in" / "1" / "rgb-light.fits", folder / "mixed" / "t-0" / "linear.fits")
        if page:
            (folder / out).mkdir()
            (folder / out / "index.html").write_text("my site")
        words = ["batch", "galaxy-moonlit", "in", "--out", out, "--root", str(folder), "--dry-run"]
        return [*words, "--quiet"]

    return make


def _again(*, edited: bool) -> Make:
    """Run where a run has left its results, and perhaps a picture was retouched since."""

    def make(folder: Path) -> list[str]:
        from blend.app.job import run_target
        from blend.app.load import open_recipe, open_target

        path = night(folder)
        target = open_target(path)
        run_target(open_recipe("galaxy-moonlit", target=target), target, out=folder / "out")
        if edited:
            with (folder / "out" / "result.tif").open("ab") as file:
                file.write(b"retouched")
        return run_words(path)

    return make


CASES = [
    Case(
        name="over inputs: a master called linear.fits",
        wrong=_named("linear.fits", "old"),
        right=_named("linear.fits", "new"),
        code=2,
        says=READS,
        short=True,
    ),
    Case(
        name="over inputs: a master called emission.fits",
        wrong=_named("emission.fits", "old"),
        right=_named("rgb.fits", "old"),
        code=2,
        says=READS,
    ),
    Case(
        name="over inputs: a link to a master where a result goes",
        wrong=_in_out(_link, "linear.fits", "--overwrite"),
        right=_in_out(_link, "my-linear.fits"),
        code=2,
        says=READS,
    ),
    Case(
        name="over inputs: a second name of a master where a stage goes",
        wrong=_in_out(_hard_link, "stages/ha-registered.fits", "--stages", "--overwrite"),
        right=_in_out(_hard_link, "stages/ha-registered.fits"),
        code=2,
        says=READS,
    ),
    Case(
        name="over others: notes where the report goes",
        wrong=_in_out(_note, "report.html"),
        right=_in_out(_note, "report.html", "--overwrite"),
        code=2,
        says=FOREIGN,
    ),
    Case(
        name="over others: a folder where a result goes",
        wrong=_in_out(_folder, "preview.png", "--overwrite"),
        right=_in_out(_folder, "preview"),
        code=2,
        says="a folder of that name is in the way",
    ),
    Case(
        name="over others: a result that was retouched",
        wrong=_again(edited=True),
        right=_again(edited=False),
        code=2,
        says=FOREIGN,
    ),
    Case(
        name="over others: a sheet where a trial leaves its own",
        wrong=_in_out(_note, "sheet.png", "--quiet", run=False),
        right=_in_out(_note, "sheet.txt", "--quiet", run=False),
        code=2,
        says=FOREIGN,
    ),
    Case(
        name="over inputs: the log onto a master",
        wrong=_log("ha-light.fits"),
        right=_log("out.log"),
        code=2,
        says=READS,
    ),
    Case(
        name="over inputs: the log onto a result",
        wrong=_log("out/record.json"),
        right=_log("run.log"),
        code=2,
        says=READS,
    ),
    Case(
        name="over others: the log onto other lines",
        wrong=_log_of_others('{"time": "22:10", "seeing": 2.1}\n'),
        right=_log_of_others('{"time": "22:10", "event": "done", "target": "t"}\n'),
        code=2,
        says=FOREIGN,
    ),
    Case(
        name="over others: a kept recipe that was edited",
        wrong=_keep(edited=True),
        right=_keep(edited=False),
        code=2,
        says=FOREIGN,
        short=True,
    ),
    Case(
        name="over inputs: a stack onto one of its frames",
        wrong=_stack("--out", "d1.fits", "--overwrite"),
        right=_stack("--out", "d.fits", "--csv", "d.csv", "--rejected", "r.fits"),
        code=2,
        says=READS,
        short=True,
    ),
    Case(
        name="over others: the frames' table onto another",
        wrong=_stack("--out", "d.fits", "--csv", "table.csv"),
        right=_stack("--out", "d.fits", "--csv", "table.csv", "--overwrite"),
        code=2,
        says=FOREIGN,
    ),
    Case(
        name="over itself: a master and its map of rejections",
        wrong=_stack("--out", "d.fits", "--rejected", "./d.fits"),
        right=_stack("--out", "d.fits", "--rejected", "r.fits"),
        code=2,
        says="two results",
    ),
    Case(
        name="over others: the Moon's plot onto a photo",
        wrong=_plot("photo.png"),
        right=_plot("moon.png"),
        code=2,
        says=FOREIGN,
    ),
    Case(
        name="over others: a target file that was edited",
        wrong=_plan(edited=True),
        right=_plan(edited=False),
        code=2,
        says=FOREIGN,
    ),
    Case(
        name="over inputs: one target's results where another's master lies",
        wrong=_batch("mixed"),
        right=_batch("results"),
        code=2,
        says=READS,
    ),
    Case(
        name="over others: a page where a batch leaves its own",
        wrong=_batch("results", page=True),
        right=_batch("results"),
        code=2,
        says=FOREIGN,
    ),
]
