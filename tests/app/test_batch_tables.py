"""The tables of a batch: a row for each flight, the same as CSV and as Parquet."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.support import missing
from tests.support.batch_folder import Counting, record
from tests.support.csv_tables import csv_rows
from vario.app.batch.batch import climb_rows, find_jobs, flight_rows, run_batch
from vario.app.batch.tables import CLIMB_COLUMNS, FLIGHT_COLUMNS, Format, write_table
from vario.app.cli import main

FORMATS: tuple[Format, ...] = ("csv", "parquet")


def igc(minutes: int) -> str:
    """A file whose time counts from midnight, as in all FAI/IGC files."""
    fixes = (
        f"B10{second // 60:02}{second % 60:02}50{second // 2:02}{second % 2 * 500:03}N00600000EA0050000560"
        for second in range(minutes * 60)
    )
    return "\r\n".join(["AXXX001test", "HFDTE160710", *fixes, ""])


def hops() -> list[str]:
    """Three minutes at rest and four of flight, twice; in flight the height falls by 1.2 m a second."""
    fixes, north, height = [], 0.0, 1500.0
    for second in range(840):
        flies = second % 420 >= 180
        north += 20.0 * flies / 111_200.0 * 60.0
        height -= 1.2 * flies
        lat = f"50{int(north):02}{round(north % 1 * 1000) % 1000:03}N"
        clock_text = f"10{second // 60:02}{second % 60:02}"
        fixes.append(f"B{clock_text}{lat}00600000EA{round(height):05}{round(height):05}")
    return fixes


@pytest.mark.long
def test_each_flight_of_a_file_has_a_row(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "in").mkdir()
    text = "\r\n".join(["AXXX001test", "HFDTE160710", *hops(), ""])
    (tmp_path / "in" / "a.igc").write_text(text, encoding="ascii")
    record(tmp_path / "in" / "b.mcap", 4)
    assert main(["batch", str(tmp_path / "in"), "--out", str(tmp_path / "out"), "--jobs", "1"]) == 0
    rows = csv_rows(tmp_path / "out" / "flights.csv", "utf-8")
    assert [(row["file"], row["flight"], row["flights"]) for row in rows] == [
        ("a.igc", "1", "2"),
        ("a.igc", "2", "2"),
        ("b.mcap", "1", "0"),
    ]
    for row, minute in zip(rows[:2], (3, 10), strict=True):
        assert row["start_utc"] == row["takeoff_utc"]
        assert row["takeoff_utc"].startswith(f"2010-07-16T10:{minute:02}:")
        assert float(row["duration_s"]) == pytest.approx(240.0, abs=30.0)
    assert float(rows[0]["lowest_m"]) == pytest.approx(1212.0, abs=5.0)
    assert float(rows[1]["highest_m"]) == pytest.approx(1212.0, abs=5.0)
    assert "3 flights" in capsys.readouterr().out


def test_the_tables_say_when_a_flight_began_and_how_long_it_was(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "a.igc").write_text(igc(1), encoding="ascii")
    (flight,) = flight_rows(run_batch(find_jobs(tmp_path / "in", None), tmp_path / "out", Counting))
    assert flight["start_utc"] == "2010-07-16T10:00:00+00:00"  # not midnight, where t_s is 0
    assert flight["duration_s"] == pytest.approx(59.0, abs=1.0)


def tables_in_this_process(folder: Path, out: Path) -> None:
    """Tables of both formats, of one batch."""
    batch = run_batch(find_jobs(folder, None), out, Counting)
    for kind in FORMATS:
        write_table(list(flight_rows(batch)), FLIGHT_COLUMNS, out / "flights", kind)
        write_table(list(climb_rows(batch)), CLIMB_COLUMNS, out / "climbs", kind)


def tables_by_command(folder: Path, out: Path) -> None:
    """Tables of one batch, then of one with nothing to do but what failed."""
    for kind in FORMATS:
        assert main(["batch", str(folder), "--out", str(out), "--jobs", "1", "--format", kind]) == 1


@pytest.mark.parametrize(
    "write", [tables_in_this_process, pytest.param(tables_by_command, marks=pytest.mark.long)]
)
def test_parquet_says_the_same_as_csv(
    folder: Path, tmp_path: Path, write: Callable[[Path, Path], None]
) -> None:
    pq = missing.library("pyarrow.parquet")
    out = tmp_path / "out"
    write(folder, out)
    rows = pq.read_table(out / "flights.parquet").to_pylist()
    assert len(rows) == 2
    written = [{k: "" if v is None else str(v) for k, v in row.items()} for row in rows]
    assert written == csv_rows(out / "flights.csv", "utf-8")
    assert pq.read_table(out / "climbs.parquet").schema.field("gain_m").type == "double"
