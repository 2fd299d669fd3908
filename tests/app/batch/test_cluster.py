"""A cluster that loses its workers ends with a reason for each target that is left."""

from __future__ import annotations

from pathlib import Path

import pytest

from blend.app.batch import cluster
from blend.app.batch.job import Job

distributed = pytest.importorskip("distributed")


def test_a_cluster_without_workers_is_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(cluster, "LOOK_S", 0.5)
    monkeypatch.setattr(cluster, "GONE_S", 1.0)
    monkeypatch.setattr(cluster, "HEARTBEAT_S", 0.3)
    target = tmp_path / "t.target.toml"
    target.write_text("name = 't'")
    jobs = [
        Job(name=name, recipe="r", target=str(target), out=str(tmp_path / name)) for name in ("one", "two")
    ]
    said: list[str] = []
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, processes=False, dashboard_address=None
    ) as here:
        # the jobs reach a scheduler whose only worker goes away while they wait
        monkeypatch.setattr(cluster, "check_workers", lambda client, jobs: here.scale(0) or 1)
        verdicts = list(
            cluster.run_on_cluster(
                jobs, address=here.scheduler_address, told=lambda name, event: said.append(event.step)
            )
        )
    assert [(verdict.name, verdict.state, verdict.exit_code) for verdict in verdicts] == [
        ("one", "failed", 4),
        ("two", "failed", 4),
    ]
    assert "the scheduler has had no workers for" in verdicts[0].reason
    assert "run the same command again" in verdicts[0].reason
    assert "waiting for 2 targets, the scheduler has 0 workers" in said
