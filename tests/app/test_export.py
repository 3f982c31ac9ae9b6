"""The command `vario export`, tables as CSV and Parquet, and NMEA sentences in real time."""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from hw_replay.simulate.demo import BUNDLED
from tests.support import missing
from tests.support.csv_tables import csv_rows
from tests.support.page_flights import beginning, demo
from vario.app.cli import main
from vario.app.export.sentences import play_nmea
from vario.app.export.tables import ParquetTrace, write_rows
from vario.app.outputs.catalogue import TRACE
from vario.app.outputs.trace import TraceWriter


def test_sentences_never_wait_for_a_time_in_the_past() -> None:
    """On a busy machine the moment may pass between reading the clock and waiting."""
    clock = iter(0.004 * k for k in range(100_000))
    waited: list[float] = []
    play_nmea(
        demo().readings[:400], None, "udp:127.0.0.1:9", 1.0, 20.0, now=lambda: next(clock), wait=waited.append
    )
    assert waited
    assert min(waited) > 0.0


def test_parquet_and_csv_are_the_same_table(tmp_path: Path) -> None:
    parquet = missing.library("pyarrow.parquet")
    readings = demo().readings[:4600]
    write_rows(readings, TraceWriter(tmp_path / "trace.csv", 10.0))
    write_rows(readings, ParquetTrace(tmp_path / "trace.parquet", 10.0))
    table = parquet.read_table(tmp_path / "trace.parquet")
    rows = csv_rows(tmp_path / "trace.csv")
    assert table.column_names == [output.name for output in TRACE]
    assert table.num_rows == len(rows) > 4500
    assert table.schema.field("vario_mps").metadata[b"unit"] == b"m/s"
    for output in TRACE:
        name = output.name
        for value, row in list(zip(table[name].to_pylist(), rows, strict=True))[::101]:
            if output.is_text:
                assert (value or "") == row[name]
            elif value is None:
                assert row[name] == ""
            else:
                assert value == pytest.approx(float(row[name]), abs=0.501 * 10**-output.decimals)


@pytest.mark.parametrize("kind", ["igc", "nmea"])
@pytest.mark.parametrize("flown_s", [20.0, pytest.param(math.inf, marks=pytest.mark.long)])
def test_export_command(
    kind: str, flown_s: float, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / f"new/flight.{kind}"
    flight = beginning(flown_s, tmp_path / "flight.mcap")
    assert main(["export", str(flight), "--as", kind, "--out", str(out)]) == 0
    assert out.stat().st_size > min(20_000, 60 * flown_s)
    assert f"written to {out}" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--as", "igc", "--to", "tcp:127.0.0.1:10110"], "--to requires"),
        (["--as", "nmea", "--to", "tcp:localhost:10110"], "expected tcp:ADDRESS:PORT"),
        (["--as", "nmea", "--to", "udp:127.0.0.1:10110", "--speed", "0"], "expected above 0"),
    ],
)
def test_export_command_refuses(arguments: list[str], said: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["export", str(BUNDLED), *arguments]) == 2
    assert said in capsys.readouterr().err
