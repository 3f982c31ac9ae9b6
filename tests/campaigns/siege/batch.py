"""Batches in which a flight, a name, a signal or a cluster could end all others."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import time
from contextlib import suppress
from pathlib import Path

from hw_replay.simulate.demo import BUNDLED
from tests.campaigns.siege.camp import Ran, recording, vario
from tests.support.csv_tables import csv_rows

ENDS_WITHIN_S = 2.0


def _batch(flights: Path, out: Path) -> Ran:
    return vario("batch", flights, "--out", out, "--jobs", "1")


def bad_neighbours(folder: Path) -> str:
    """One good flight among files, each of which could end the whole batch."""
    flights, out = folder / "flights", folder / "out"
    flights.mkdir()
    recording(flights / "good.mcap")
    recording(flights / ("n" * 250 + ".mcap"))
    recording(flights / "bad \udcff\x1b name.mcap")
    recording(flights / "mark.mcap", marks=[b'{"text":"\\ud800"}', b'{"text":"\xff"}'])
    (flights / "none.igc").write_bytes(bytes(range(256)))
    ran = _batch(flights, out)
    assert ran.code == 1, f"exit code {ran.code}: {ran.said}"
    (failure,) = csv_rows(out / "failures.csv", "utf-8")
    names = [row["file"] for row in csv_rows(out / "flights.csv", "utf-8")]
    assert failure["file"] == "none.igc", failure
    assert len(names) == 4, names
    assert r"bad \xff\x1b name.mcap" in names, names
    again = done_again(flights, out)
    return f"4 flights and 1 failure in the tables; second run: {again}"


def done_again(flights: Path, out: Path) -> str:
    """The output of a second run, which must replay no successful flight."""
    said = _batch(flights, out).out.splitlines()[0]
    assert "4 of them unchanged" in said, said
    return said


def result_cannot_be_kept(folder: Path) -> str:
    """The result of one flight has the name of a folder that another result needs."""
    flights, out = folder / "flights", folder / "out"
    (flights / "a.mcap.json").mkdir(parents=True)
    recording(flights / "a.mcap")
    recording(flights / "a.mcap.json" / "b.mcap")
    ran = _batch(flights, out)
    assert ran.code == 1, f"exit code {ran.code}: {ran.said}"
    (failure,) = csv_rows(out / "failures.csv", "utf-8")
    assert len(csv_rows(out / "flights.csv", "utf-8")) == 2
    return failure["failure"].replace(f"{out}/", "")


def _started(command: list[str | Path], folder: Path) -> subprocess.Popen[str]:
    log = (folder / "log").open("w", encoding="utf-8")
    return subprocess.Popen(  # noqa: S603  (our own program)
        [sys.executable, "-m", "vario", *map(str, command)],
        stdout=log,
        stderr=log,
        text=True,
        start_new_session=True,  # its own process group, which receives Ctrl-C as from a terminal
    )


def _wait_for(path: Path, process: subprocess.Popen[str]) -> None:
    end_s = time.monotonic() + 120.0
    while not path.exists():
        assert process.poll() is None, "it ended too early"
        assert time.monotonic() < end_s, f"{path.name} never came"
        time.sleep(0.05)


def _running(group: int) -> list[str]:
    """The processes of a group that have not ended, by /proc/PID/stat (proc(5))."""
    found = []
    for path in Path("/proc").glob("[0-9]*/stat"):
        with suppress(OSError):
            _, _, rest = path.read_text(encoding="utf-8", errors="replace").rpartition(")")
            state, _, its_group = rest.split()[:3]
            if its_group == str(group) and state not in "ZX":
                found.append(path.parent.name)
    return found


def second_interrupt(folder: Path) -> str:
    flights, out = folder / "flights", folder / "out"
    flights.mkdir()
    shutil.copy(BUNDLED, flights / "long.mcap")
    for number in range(3):
        recording(flights / f"short{number}.mcap")
    # The longest goes first: when another one is done, it is still being played.
    with _started(["batch", flights, "--out", out, "--jobs", "2"], folder) as process:
        try:
            _wait_for(out / "flights" / "short0.mcap.json", process)
            os.killpg(process.pid, signal.SIGINT)
            time.sleep(1.0)
            assert process.poll() is None, "it ended at the first Ctrl-C, with flights in the air"
            begun_s = time.monotonic()
            os.killpg(process.pid, signal.SIGINT)
            code = process.wait(30.0)
            took_s = time.monotonic() - begun_s
        finally:
            process.kill()
    said = (folder / "log").read_text(encoding="utf-8")
    assert "Traceback" not in said, said
    assert code == 2, f"exit code {code}: {said}"
    assert took_s < ENDS_WITHIN_S, f"{took_s:.1f} s"
    assert not _running(process.pid), "a worker is left over"
    (told,) = [line for line in said.splitlines() if line.startswith("stopped")]
    kept = len(csv_rows(out / "flights.csv", "utf-8"))
    return f"ended {took_s:.1f} s after the second, {kept} in the table; {told}"


CLUSTER = """
import sys
from distributed import LocalCluster
if __name__ == "__main__":
    cluster = LocalCluster(n_workers=1, threads_per_worker=1, dashboard_address=None, host="127.0.0.1")
    open(sys.argv[1], "w").write(cluster.scheduler_address)
    sys.stdin.read()
"""


def lost_scheduler(folder: Path) -> str:
    flights, out, address = folder / "flights", folder / "out", folder / "address"
    flights.mkdir()
    for number in range(40):
        recording(flights / f"{number:02}.mcap", seconds=60)
    script = folder / "cluster.py"
    script.write_text(CLUSTER, encoding="utf-8")
    root = str(Path(__file__).parents[3])
    with subprocess.Popen(  # noqa: S603  (our own script)
        [sys.executable, str(script), str(address)],
        stdin=subprocess.PIPE,
        stderr=subprocess.DEVNULL,
        env={**os.environ, "PYTHONPATH": root},
        start_new_session=True,
    ) as cluster:
        try:
            while not address.exists() or not address.read_text(encoding="ascii"):
                assert cluster.poll() is None, "no cluster"
                time.sleep(0.1)
            scheduler = address.read_text(encoding="ascii")
            command: list[str | Path] = ["batch", flights, "--out", out, "--scheduler", scheduler]
            with _started(command, folder) as process:
                try:
                    _wait_for(out / "flights" / "00.mcap.json", process)
                    os.killpg(cluster.pid, signal.SIGKILL)
                    code = process.wait(60.0)
                finally:
                    process.kill()
        finally:
            os.killpg(cluster.pid, signal.SIGKILL)
    said = (folder / "log").read_text(encoding="utf-8")
    assert "Traceback" not in said, said
    assert code == 2, f"exit code {code}: {said}"
    rows = csv_rows(out / "flights.csv", "utf-8")
    assert rows, "what was done is not in the table"
    (told,) = [line for line in said.splitlines() if line.startswith("stopped")]
    assert "Run the same command again to continue" in told
    return f"{len(rows)} in the table; {told}".replace(scheduler, "tcp://127.0.0.1:…")


ATTACKS = (
    (
        "a name of 255 bytes, one that is not UTF-8, bad marks, and a file that is no recording, "
        "beside a good flight",
        "each is one row; a second run repeats only the failure",
        bad_neighbours,
    ),
    ("a result that cannot be saved", "one row gives the reason", result_cannot_be_kept),
    (
        "Ctrl-C twice",
        "after the first the current flights finish, the second ends the command within 2 s; the "
        "tables are written",
        second_interrupt,
    ),
    (
        "the Dask scheduler ends",
        "finished flights are kept and in the tables; a message says how to continue",
        lost_scheduler,
    ),
)

LONG = (second_interrupt, lost_scheduler)
