"""A whole run whose amounts the masters choose: what stands in the record, the terminal and the report."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from blend.app.demo.demo import write_night
from blend.app.run.job import run_target
from blend.app.run.load import open_recipe, open_target
from blend.app.run.terminal import details
from blend.science.simulated.night import SceneOptions, simulate_night


def test_a_run_chooses_its_amounts_and_says_why(tmp_path: Path) -> None:
    path = write_night(simulate_night(SceneOptions(rows=360, columns=540, seed=3)), tmp_path / "masters")
    text = path.read_text(encoding="utf-8")
    assert "[set]" not in text
    path.write_text(text + '\n[set]\n"blend.red.amount" = "auto"\n', encoding="utf-8")
    target = open_target(path)
    settings = ("blend.luminance.amount=auto", "blend.luminance.optimise_for=bright")
    run_target(open_recipe("galaxy-moonlit", settings=settings, target=target), target, out=tmp_path / "out")
    record = json.loads((tmp_path / "out" / "record.json").read_text(encoding="utf-8"))
    red, light = record["blend"]["red"], record["blend"]["luminance"]
    assert 0 < red["amount"] == min(red["auto"]["limits"].values()) <= 1.5
    assert red["line_contrast"] == pytest.approx(1 + red["amount"])
    assert red["auto"]["noise"] <= 1.2 + 1e-9
    assert 0 < light["amount"] <= light["auto"]["limits"]["most"] == 1.0
    assert light["auto"]["optimise_for"] == "bright"
    assert record["recipe"]["blend"]["red"]["amount"] == "auto"
    shown = details(record)
    assert f"line contrast x {red['line_contrast']:.4g}" in shown
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    for entry in (red, light):
        assert entry["auto"]["reason"] in shown
        # Once in the verdict and once beside its equation.
        assert page.count(entry["auto"]["reason"]) == 2
