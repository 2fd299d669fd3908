"""A run that writes over what it alone holds leaves the bytes of one that keeps every state."""

from __future__ import annotations

from pathlib import Path

import pytest

from blend.app.demo.demo import write_night
from blend.app.run.job import run_target
from blend.app.run.load import open_recipe, open_target
from blend.app.run.preview import LONG_EDGE
from blend.science.simulated.night import SceneOptions, simulate_night

FORMATS = 'output.formats=["fits","tiff","png","residual"]'


@pytest.fixture(scope="module")
def target(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Write a night wider than a preview: of a smaller one every run keeps the states."""
    options = SceneOptions(rows=250, columns=LONG_EDGE + 100, seed=5, ha_grid="same", calibrated=True)
    return write_night(simulate_night(options), tmp_path_factory.mktemp("night"))


@pytest.mark.parametrize(
    "settings",
    [
        [],
        ["blend.red.amount=auto", "blend.luminance.amount=auto", "blend.luminance.from=ha"],
        ["protect.stars=0", "balance.white=none", "finish.star_size=0.8"],
        ["continuum.ha.line_in_band=false", "stretch.colour=planes", "output.crop=none"],
    ],
    ids=lambda words: " ".join(words) or "as it is",
)
def test_states_kept_or_not_the_bytes_are_the_same(target: Path, tmp_path: Path, settings: list[str]) -> None:
    opened = open_target(target)
    recipe = open_recipe("galaxy-moonlit", settings=[*settings, FORMATS], target=opened)
    folders = tmp_path / "over", tmp_path / "kept"
    for folder, stages in zip(folders, (False, True), strict=True):
        run_target(recipe, opened, out=folder, stages=stages)
    files = [path.name for path in folders[0].iterdir() if path.suffix in (".fits", ".tif", ".png")]
    assert {"linear.fits", "emission.fits", "emission-sigma.fits", "star-mask.fits", "result.tif"} <= {*files}
    for name in files:
        assert (folders[0] / name).read_bytes() == (folders[1] / name).read_bytes(), name
    pages = [(folder / "report.html").read_text(encoding="utf-8") for folder in folders]
    assert all("could not be drawn" not in page for page in pages)
