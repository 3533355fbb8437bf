"""A sweep on a local Dask cluster of several processes."""

from __future__ import annotations

import pytest

import linelab


@pytest.mark.slow
def test_a_cluster_of_processes_finds_the_same_laps_as_this_one(tmp_path):
    distributed = pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")
    track, vary = linelab.load_track("tinmarsh_rental"), {"mass_kg": [235.0, 240.0, 245.0, 250.0], "grip": [0.9, 1.0]}
    store, said = tmp_path / "sweep.sqlite", []
    cluster = distributed.LocalCluster(
        n_workers=2, threads_per_worker=1, processes=True, dashboard_address=None, local_directory=str(tmp_path)
    )
    with cluster, distributed.Client(cluster) as client:
        executor = client.get_executor()
        cases = linelab.sweep(track, "rental-four-stroke", vary, store=store, executor=executor, progress=said.append)
        assert executor.submit(int, "3").result() == 3  # it is not shut down
        worked = client.run(
            lambda: __import__("linelab.study.sweeping.sweep", fromlist=["x"])._middle.cache_info().misses
        )
    assert sum(worked.values()) >= 1
    assert len(said) == 9
    assert cases == linelab.sweep(track, "rental-four-stroke", vary, jobs=1)
    assert {case.outcome for case in cases} == {"verified"}
