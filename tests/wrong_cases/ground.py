"""Words and files that are nearly right: empty recipes, pictures for target files, names of folders."""

from __future__ import annotations

from pathlib import Path

from wrong_cases.cases import Case, Make, night, run_words


def _check(text: str) -> Make:
    def make(folder: Path) -> list[str]:
        (folder / "r.toml").write_text(text)
        return ["check", "r.toml"]

    return make


def _try(values: str) -> Make:
    def make(folder: Path) -> list[str]:
        words = ["try", "galaxy-moonlit", str(night(folder)), "--no-store", "--quiet", "--out", "trial"]
        return [*words, "--vary", f"blend.red.amount={values}"]

    return make


def _set(setting: str) -> Make:
    return lambda folder: run_words(night(folder), "--set", setting)


def _run(*words: str) -> Make:
    def make(folder: Path) -> list[str]:
        night(folder)
        return ["run", "galaxy-moonlit", *words, "--quiet", "--out", "out"]

    return make


def _inspect(*names: str) -> Make:
    def make(folder: Path) -> list[str]:
        night(folder)
        (folder / "bad.fits").write_bytes(b"SIMPLE  =")
        return ["inspect", *names]

    return make


def _batch(second: str) -> Make:
    def make(folder: Path) -> list[str]:
        target = night(folder)
        for file, name in (("a", "M 51"), ("b", second)):
            text = target.read_text().replace("lantern-spiral", name)
            (folder / f"{file}.target.toml").write_text(text)
        return ["batch", "galaxy-moonlit", "a.target.toml", "b.target.toml", "--dry-run"]

    return make


def _named(name: str) -> Make:
    def make(folder: Path) -> list[str]:
        target = night(folder)
        target.write_text(target.read_text().replace("lantern-spiral", name))
        return ["check", "galaxy-moonlit", str(target)]

    return make


BOTH = ("-m", "rgb=rgb-light.fits", "-m", "ha=ha-light.fits")

CASES = [
    Case(
        name="an empty recipe",
        wrong=_check(""),
        right=_check("version = 1"),
        code=2,
        says="add version = 1",
        short=True,
    ),
    Case(
        name="a recipe without its version",
        wrong=_check('title = "x"'),
        right=_check('version = 1\ntitle = "x"'),
        code=2,
        says="version: the key is missing",
    ),
    Case(
        name="a range without a step",
        wrong=_try("0:1"),
        right=_try("0:1:1"),
        code=2,
        says="expected START:STOP:STEP",
    ),
    Case(
        name="a key without its table",
        wrong=_set("saturation=1.2"),
        right=_set("finish.saturation=1.2"),
        code=2,
        says="write finish.saturation",
    ),
    Case(
        name="a blend without its table",
        wrong=_set("red.amount=0.5"),
        right=_set("blend.red.amount=0.5"),
        code=2,
        says="write blend.red.amount",
    ),
    Case(
        name="two pictures for a target file",
        wrong=_run("rgb-light.fits", "ha-light.fits"),
        right=_run(*BOTH),
        code=2,
        says="as -m rgb=FILE -m ha=FILE",
    ),
    Case(
        name="a picture for a target file",
        wrong=_run("rgb-light.fits"),
        right=_run(*BOTH),
        code=2,
        says="this is a picture",
    ),
    Case(
        name="an option names no file",
        wrong=_run("-m", "rgb=nope.fits", *BOTH[2:]),
        right=_run(*BOTH),
        code=3,
        says="mend -m rgb=FILE",
    ),
    Case(
        name="a picture without its master's name",
        wrong=_run("-m", "rgb-light.fits", *BOTH[2:]),
        right=_run(*BOTH),
        code=2,
        says="for example -m rgb=rgb-light.fits",
    ),
    Case(
        name="a bad file among those to inspect",
        wrong=_inspect("bad.fits", "rgb-light.fits"),
        right=_inspect("rgb-light.fits"),
        code=3,
        says="bad.fits:",
        short=True,
    ),
    Case(
        name="two targets of one folder",
        wrong=_batch("m-51"),
        right=_batch("M 51 wide"),
        says="taken by a.target.toml",
    ),
    Case(
        name="a name of two lines",
        wrong=_named("M\\n51"),
        right=_named("M 51"),
        code=2,
        says="a name of one line",
    ),
]
