"""Workers of a batch: one that dies, a batch that is killed, and a cluster."""

from __future__ import annotations

import os
import select
import subprocess
import sys
from pathlib import Path

import pytest

from tests.support import missing
from vario.app.batch.batch import find_jobs
from vario.app.batch.job import Job
from vario.app.batch.workers import CRASHED, Cluster, Processes
from vario.app.cli import main
from vario.app.errors import AppError


@pytest.mark.long
def test_a_worker_that_dies_is_listed_and_the_rest_is_done(folder: Path) -> None:
    # Unpickling this job ends the process, as running out of memory would.
    jobs = [find_jobs(folder, None)[1], Job(str(folder / "a.mcap"), Deadly("deadly.mcap"), None)]
    found = {str(outcome.name): outcome for outcome in Processes(1).run(jobs)}
    assert found["a.mcap"].failure is None
    assert found["deadly.mcap"].failure == CRASHED


ENDLESS = """
import sys
from multiprocessing import active_children
from vario.app.batch.job import Job
from vario.app.batch.workers import Processes

if __name__ == "__main__":
    for outcome in Processes(2).run([Job(path, path, None) for path in sys.argv[1:]]):
        print(*(child.pid for child in active_children()), flush=True)
        sys.stdin.read()
"""


@pytest.mark.long
@pytest.mark.skipif(not hasattr(os, "pidfd_open"), reason=missing.LINUX)
def test_workers_end_with_a_batch_that_is_killed(folder: Path, tmp_path: Path) -> None:
    script = tmp_path / "endless.py"
    script.write_text(ENDLESS, encoding="utf-8")
    with subprocess.Popen(  # noqa: S603  (our own script)
        [sys.executable, str(script), str(folder / "a.mcap"), str(folder / "2025" / "b.mcap")],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
    ) as batch:
        assert batch.stdout is not None
        workers = [os.pidfd_open(int(pid)) for pid in batch.stdout.readline().split()]
        batch.kill()
        batch.wait()
    assert workers
    for worker in workers:
        try:
            # Readable after the end of the process; the time limit only applies to a failure.
            assert select.select([worker], [], [], 60.0)[0]
        finally:
            os.close(worker)


class Deadly(str):
    """A name that ends the process that receives it."""

    __slots__ = ()

    def __reduce__(self) -> tuple[object, ...]:
        return os._exit, (7,)


@pytest.mark.long
@pytest.mark.filterwarnings("ignore::ResourceWarning", "ignore::DeprecationWarning")  # inside the library
def test_a_dask_cluster_does_the_same_work(folder: Path, tmp_path: Path) -> None:
    distributed = missing.library("distributed")
    here, there = tmp_path / "here", tmp_path / "there"
    main(["batch", str(folder), "--out", str(here), "--jobs", "1"])
    with distributed.LocalCluster(
        n_workers=1, threads_per_worker=1, dashboard_address=None, host="127.0.0.1"
    ) as cluster:
        scheduler = ["--scheduler", cluster.scheduler_address]
        assert main(["batch", str(folder), "--out", str(there), *scheduler]) == 1
    for name in ("flights.csv", "climbs.csv", "failures.csv"):
        assert (there / name).read_bytes() == (here / name).read_bytes()


@pytest.mark.long
def test_a_missing_scheduler_is_reported() -> None:
    missing.library("distributed")
    with pytest.raises(AppError, match=r"tcp://127.0.0.1:9: no answer from a Dask scheduler"):
        Cluster("tcp://127.0.0.1:9", wait_s=1.0)
