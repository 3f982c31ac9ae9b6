"""`vario compare` on two folders of `vario batch`: which flights differ, by how much, and the exit code."""

from __future__ import annotations

import csv
import statistics
from collections.abc import Sequence
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from vario.app.batch.tables import FLIGHT_COLUMNS
from vario.app.cli import main
from vario.app.compare.batches import TABLE, changes, flights_of

Row = dict[str, str]


def flights(gains_m: Sequence[float | None], **others: str) -> list[Row]:
    """Rows as the batch writes them: one flight for each gain, in files 0.mcap, 1.mcap, …"""
    empty = dict.fromkeys(FLIGHT_COLUMNS, "")
    return [
        empty
        | others
        | {"file": f"{i}.mcap", "flight": "1", "climb_gain_m": "" if gain is None else f"{gain:.1f}"}
        for i, gain in enumerate(gains_m)
    ]


def folder(path: Path, rows: Sequence[Row]) -> Path:
    path.mkdir()
    with (path / TABLE).open("w", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, FLIGHT_COLUMNS)
        writer.writeheader()
        writer.writerows(rows)
    return path


def keyed(rows: Sequence[Row]) -> dict[tuple[str, str], Row]:
    return {(row["file"], row["flight"]): row for row in rows}


GAINS = st.lists(
    st.tuples(*[st.floats(-500, 3000).map(lambda gain: round(gain, 1))] * 2), min_size=1, max_size=9
)


@given(GAINS)
def test_a_change_has_the_means_and_the_largest_step_of_its_column(pairs: list[tuple[float, float]]) -> None:
    old, new = [a for a, _ in pairs], [b for _, b in pairs]
    found = changes(keyed(flights(old)), keyed(flights(new)), {})
    if old == new:
        assert not found
        return
    (change,) = found
    assert change.name == "climb_gain_m"
    assert change.flights == sum(a != b for a, b in pairs)
    # The oracle is the standard library.
    assert change.mean_a == pytest.approx(statistics.fmean(old))
    assert change.mean_b == pytest.approx(statistics.fmean(new))
    assert change.largest is not None
    assert abs(change.largest) == max(abs(b - a) for a, b in pairs)
    index = int(change.where[0].removesuffix(".mcap"))
    assert change.largest == new[index] - old[index]


def test_a_batch_equals_itself(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = folder(tmp_path / "a", flights([100.0, None]))
    assert main(["compare", str(path), str(path)]) == 0
    assert "no difference beyond the tolerances" in capsys.readouterr().out


def test_differences_name_the_flight_and_a_tolerance_permits_them(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    a = folder(tmp_path / "a", flights([100.0, 200.0]))
    b = folder(tmp_path / "b", flights([101.0, 194.5]))
    assert main(["compare", str(a), str(b)]) == 1
    said = " ".join(capsys.readouterr().out.split())
    assert "climb_gain_m 2 150 147.75 -5.5 1.mcap 1" in said
    assert main(["compare", str(a), str(b), "--tolerance", "climb_gain_m=6"]) == 0


def test_a_value_on_one_side_only_and_a_changed_text_are_differences(tmp_path: Path) -> None:
    a = folder(tmp_path / "a", flights([100.0, None], title="a field"))
    b = folder(tmp_path / "b", flights([None, 100.0], title="another field"))
    found = {change.name: change for change in changes(flights_of(a), flights_of(b), {"climb_gain_m": 1e9})}
    assert found["climb_gain_m"].flights == found["title"].flights == 2
    assert found["climb_gain_m"].mean_a is None
    assert found["title"].largest is None


def test_a_flight_on_one_side_only_is_named(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    a = folder(tmp_path / "a", flights([100.0, 200.0]))
    b = folder(tmp_path / "b", flights([100.0]))
    assert main(["compare", str(a), str(b)]) == 1
    said = capsys.readouterr().out
    assert "only in A: 1.mcap 1" in said
    assert "not the same flights" in said


def test_a_column_that_only_a_has_is_a_difference(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    a = folder(tmp_path / "a", flights([100.0]))
    b = folder(tmp_path / "b", flights([100.0]))
    text = (b / TABLE).read_text(encoding="utf-8")
    (b / TABLE).write_text(text.replace("climb_gain_m", "other"), encoding="utf-8")
    assert main(["compare", str(a), str(b)]) == 1
    assert "missing columns: climb_gain_m" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("--tolerance", "gain=1"), "gain: no such column on both sides; they have file,"),
        (("--rms", "climb_gain_m=1"), "only --tolerance applies"),
        (("--set", "maccready=2 m/s"), "only --tolerance applies"),
    ],
)
def test_an_option_that_has_no_effect_is_an_error(
    arguments: tuple[str, ...], said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    a = folder(tmp_path / "a", flights([100.0]))
    assert main(["compare", str(a), str(a), *arguments]) == 2
    assert said in capsys.readouterr().err


@pytest.mark.parametrize("text", ["", "file\n", "\xff", "file,flight\na\n,,,,\n", 'file,flight\n"', "\0"])
def test_a_damaged_table_is_compared_or_gives_one_line_of_error(
    text: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    good, bad = folder(tmp_path / "a", flights([100.0])), tmp_path / "b"
    bad.mkdir()
    (bad / TABLE).write_bytes(text.encode("latin-1"))
    assert main(["compare", str(good), str(bad)]) in {1, 2}
    assert capsys.readouterr().err.count("\n") <= 1


def test_tables_without_flights_are_not_called_equal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    empty = folder(tmp_path / "a", flights([]))
    assert main(["compare", str(empty), str(empty)]) == 2
    assert "the table has no flights" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("other", "said"),
    [
        ("trace", "contains no flights.csv; expected two folders of vario batch"),
        ("a.mcap", "a.mcap is a file; expected two folders of vario batch"),
        ("none", "none is missing; expected two folders of vario batch"),
        (None, "no second side was given; expected two folders of vario batch"),
        ("packed", "packed: this is the folder of a batch with flights.parquet"),
    ],
)
def test_a_batch_and_something_else_are_not_compared(
    other: str | None, said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    batch = folder(tmp_path / "batch", flights([100.0]))
    for name in ("trace", "packed"):
        (tmp_path / name).mkdir()
    (tmp_path / "trace" / "trace.csv").write_text("t_s,vario_mps\n0,1\n")
    (tmp_path / "packed" / "flights.parquet").write_bytes(b"PAR1")
    (tmp_path / "a.mcap").write_bytes(b"")
    sides = [str(batch)] if other is None else [str(batch), str(tmp_path / other)]
    for order in (sides, sides[::-1]):
        assert main(["compare", *order]) == 2
        error = capsys.readouterr().err
        assert said in error
        assert error.count("\n") == 1
