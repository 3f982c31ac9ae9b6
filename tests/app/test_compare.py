"""Comparisons: definition of a difference, its begin, its description, and the exit code."""

from __future__ import annotations

import csv
import json
import math
import statistics
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.samples import Baro, Reference
from hw_replay.source import RecordingInfo
from hw_replay.writer import RecordingWriter
from tests.support.comparison_text import sentences
from vario.app.cli import main
from vario.app.compare.compare import Tolerances, compare_tables
from vario.app.compare.tables import Table, table_of_rows

Rows = list[dict[str, str]]


def rows(vario: Sequence[float | None], mode: Sequence[str] | None = None, start_s: float = 0.0) -> Rows:
    """A trace of two columns, ten rows a second."""
    return [
        {
            "t_s": f"{start_s + 0.1 * i:.2f}",
            "mode": mode[i] if mode else "cruise",
            "vario_mps": "" if value is None else f"{value:.3f}",
        }
        for i, value in enumerate(vario)
    ]


def table(trace: Rows, name: str = "a trace") -> Table:
    return table_of_rows(trace, name)


def write(path: Path, trace: Sequence[Mapping[str, str]]) -> Path:
    with path.open("w", newline="", encoding="ascii") as file:
        writer = csv.DictWriter(file, list(trace[0]), lineterminator="\n")
        writer.writeheader()
        writer.writerows(trace)
    return path


def reference(t_s: Sequence[float], column: str, values: Sequence[float]) -> Table:
    return Table("truth", {column: (np.array(t_s), np.array(values))}, is_reference=True)


@given(st.lists(st.one_of(st.none(), st.floats(-10, 10)), min_size=1, max_size=60))
def test_a_trace_is_the_same_as_itself(values: list[float | None]) -> None:
    assert compare_tables(table(rows(values)), table(rows(values))).same


@given(
    st.lists(st.tuples(st.floats(-10, 10), st.floats(-10, 10)), min_size=2, max_size=60),
)
def test_statistics_are_those_of_the_standard_library(pairs: list[tuple[float, float]]) -> None:
    a, b = (table(rows(side)) for side in zip(*pairs, strict=True))
    found = compare_tables(a, b)["vario_mps"].all
    differences = [round(vb, 3) - round(va, 3) for va, vb in pairs]
    assert found is not None
    assert found.mean == pytest.approx(statistics.fmean(differences), abs=2e-3)
    assert found.rms**2 == pytest.approx(statistics.fmean(d * d for d in differences), abs=5e-2)


def test_rounding_is_no_difference_and_more_is() -> None:
    base = [0.5] * 100
    assert compare_tables(table(rows(base)), table(rows([0.502] * 100))).same
    moved = [*base[:40], *[0.503] * 60]
    comparison = compare_tables(table(rows(base)), table(rows(moved)))
    assert not comparison.same
    assert comparison.first is not None
    assert (comparison.first.name, comparison.first.first_s) == ("vario_mps", 4.0)
    assert comparison["vario_mps"].beyond == 60


def test_a_tolerance_of_its_own_wins() -> None:
    a, b = table(rows([0.0] * 10)), table(rows([0.3] * 10))
    assert compare_tables(a, b, Tolerances({"vario_mps": 0.31})).same
    assert not compare_tables(a, b, Tolerances({"vario_mps": 0.29})).same
    assert not compare_tables(a, b, Tolerances({"vario_mps": 1.0}, {"vario_mps": 0.29})).same


def test_silence_is_a_difference() -> None:
    comparison = compare_tables(table(rows([1.0] * 10)), table(rows([1.0] * 9 + [None])))
    assert not comparison.same
    assert comparison["vario_mps"].only_a == 1
    assert any("no longer shown in 1 row (10 %)" in sentence for sentence in sentences(comparison))


def test_a_changed_mode_is_a_difference_and_is_told() -> None:
    a = rows([1.0] * 20, ["cruise"] * 10 + ["circling"] * 10)
    b = rows([1.0] * 20, ["cruise"] * 12 + ["circling"] * 8)
    comparison = compare_tables(table(a), table(b))
    assert comparison["mode"].beyond == 2
    assert any("mode differs in 2 rows (10 %)" in sentence for sentence in sentences(comparison))


def test_a_missing_column_differs_and_a_new_one_does_not() -> None:
    less = [{key: row[key] for key in ("t_s", "mode")} for row in rows([1.0] * 5)]
    assert not compare_tables(table(rows([1.0] * 5)), table(less)).same
    assert compare_tables(table(less), table(rows([1.0] * 5))).same


@pytest.mark.parametrize("cut", [slice(0, 80), slice(20, None)])
def test_a_trace_that_covers_less_time_differs(cut: slice) -> None:
    whole = rows([1.0] * 100)
    comparison = compare_tables(table(whole), table(whole[cut]))
    assert not comparison.same
    assert comparison.uncovered_s == pytest.approx(2.0)


def test_a_lost_row_in_the_middle_differs() -> None:
    whole = rows([1.0] * 100)
    comparison = compare_tables(table(whole), table(whole[:50] + whole[51:]))
    assert not comparison.same
    assert comparison.unmatched_s == (5.0,)


def test_a_thinner_trace_is_compared_where_it_has_rows() -> None:
    whole = rows(np.linspace(0, 1, 101).tolist())
    comparison = compare_tables(table(whole), table(whole[::10]))
    assert comparison.same
    assert comparison["vario_mps"].difference.size == 11


def test_angles_differ_the_short_way_round() -> None:
    trace = [{"t_s": "0.00", "heading_rad": "6.2732"}], [{"t_s": "0.00", "heading_rad": "0.0100"}]
    comparison = compare_tables(*map(table, trace))
    assert comparison["heading_rad"].largest == pytest.approx(0.02, abs=1e-4)
    assert any("1.1° higher" in sentence for sentence in sentences(comparison))


def test_angles_are_interpolated_the_short_way_round() -> None:
    """Halfway between 359° and 1° is north, not south."""
    truth = reference([0.0, 1.0], "heading_rad", np.radians([359.0, 1.0]).tolist())
    trace = [{"t_s": "0.50", "heading_rad": "0.0000"}, {"t_s": "0.75", "heading_rad": "0.0000"}]
    found = compare_tables(truth, table(trace))["heading_rad"]
    assert np.allclose(np.degrees(found.difference), [0.0, -0.5], atol=1e-9)


def test_differences_all_round_the_circle_have_no_mean(tmp_path: Path) -> None:
    """Their linear mean would be 0; their RMS still gives their size."""
    n = 360
    headings = np.radians(np.arange(n)).tolist()
    a = [{"t_s": f"{0.1 * i:.2f}", "heading_rad": "0.0000", "mode": "cruise"} for i in range(n)]
    b = [dict(row, heading_rad=f"{heading:.4f}") for row, heading in zip(a, headings, strict=True)]
    comparison = compare_tables(table(a), table(b))
    spread = comparison["heading_rad"].all
    assert spread is not None
    assert spread.mean is None
    assert spread.rms == pytest.approx(math.pi / math.sqrt(3), rel=1e-3)  # uniform over ±π
    assert any("heading_rad: no mean direction, RMS 104°" in sentence for sentence in sentences(comparison))
    paths = [write(tmp_path / f"{name}.csv", rows) for name, rows in (("a", a), ("b", b))]
    assert main(["compare", *map(str, paths), "--out", str(tmp_path / "out")]) == 1
    found = json.loads((tmp_path / "out" / "compare.json").read_text(encoding="utf-8"))
    assert found["columns"]["heading_rad"]["all"]["mean"] is None


def test_statistics_by_mode_and_climb() -> None:
    mode = ["cruise"] * 400 + ["circling"] * 600 + ["cruise"] * 100 + ["circling"] * 100
    a = table(rows([1.0] * 1200, mode))
    b = table(rows([1.0] * 400 + [1.5] * 600 + [1.0] * 200, mode))
    comparison = compare_tables(a, b)
    modes = comparison["vario_mps"].modes
    assert modes["cruise"].rms == 0.0
    assert modes["circling"].mean == pytest.approx(0.5 * 600 / 700)
    (climb,) = comparison.climbs  # ten seconds of circling are none
    assert (climb.start_s, climb.end_s) == pytest.approx((40.0, 100.0))
    mean = climb.means["vario_mps"]
    assert (mean.a, mean.b, mean.rms) == pytest.approx((1.0, 1.5, 0.5), abs=2e-3)


def test_against_truth_values_are_interpolated_and_only_what_is_asked_for_is_judged() -> None:
    # Straight lines are met exactly by interpolation between the rows.
    trace = table(rows((2.0 * np.arange(200) * 0.1).tolist()))
    times = np.arange(0.03, 19.0, 0.37)
    truth = reference(times.tolist(), "vario_mps", (2.0 * times - 0.5).tolist())
    comparison = compare_tables(truth, trace)
    spread = comparison["vario_mps"].all
    assert spread is not None
    assert (spread.mean, spread.rms) == pytest.approx((0.5, 0.5), abs=1e-3)
    assert comparison.same
    assert not comparison.judged
    assert not compare_tables(truth, trace, Tolerances(rms={"vario_mps": 0.49})).same
    assert compare_tables(truth, trace, Tolerances(rms={"vario_mps": 0.51})).same


def test_a_bound_against_truth_cannot_hold_where_nothing_could_be_compared() -> None:
    trace = table(rows([None] * 100))
    truth = reference([1.0, 2.0], "vario_mps", [0.0, 0.0])
    assert not compare_tables(truth, trace, Tolerances(rms={"vario_mps": 10.0})).same


def test_exit_codes_result_and_picture(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    mode = ["cruise"] * 100 + ["circling"] * 400
    a = write(tmp_path / "a.csv", rows([1.0] * 500, mode))
    b = write(tmp_path / "b.csv", rows([1.0] * 300 + [1.2] * 200, mode))
    out = tmp_path / "out"
    assert main(["compare", str(a), str(a), "--out", str(out)]) == 0
    assert "no difference beyond" in capsys.readouterr().out
    assert main(["compare", str(a), str(b), "--out", str(out)]) == 1
    said = capsys.readouterr().out
    assert "the first difference is at 0:30 (30.00 s), in vario_mps" in said
    assert "they differ: vario_mps" in said
    found = json.loads((out / "compare.json").read_text(encoding="utf-8"))
    assert found["first_divergence"] == {"column": "vario_mps", "t_s": 30.0}
    assert found["columns"]["vario_mps"]["modes"]["circling"]["mean"] == pytest.approx(0.1)
    assert (out / "compare.png").read_bytes().startswith(b"\x89PNG\r\n\x1a\n")
    assert main(["compare", str(a), str(b), "--out", str(out), "--tolerance", "vario_mps=0.25"]) == 0


def test_names_with_brackets_and_colons_are_printed_as_they_are(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "[red] [/i" / "x] :plus:"
    folder.mkdir(parents=True)
    trace = write(folder / "a[1].csv", rows([1.0] * 50))
    assert main(["compare", str(trace), str(trace), "--out", str(folder)]) == 0
    assert f"A  {trace}\n" in capsys.readouterr().out


def test_what_is_printed_is_no_finer_than_the_trace(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    a = write(tmp_path / "a.csv", rows([1.0] * 300))
    b = write(tmp_path / "b.csv", rows([1.0] * 299 + [1.009]))
    assert main(["compare", str(a), str(b), "--out", str(tmp_path)]) == 1
    (line,) = [line for line in capsys.readouterr().out.splitlines() if line.startswith("vario_mps")][:1]
    assert line.split() == ["vario_mps", "300", "0", "m/s", "0.001", "m/s", "+0.009", "m/s", "0:30", "1"]


def still_flight(path: Path) -> Path:
    """Fifteen seconds at rest with a truth of zero."""
    with RecordingWriter(path, RecordingInfo("at rest", "simulated")) as writer:
        for i in range(150):
            writer.write(Baro(i * 0.1, 95_000.0))
            writer.write(Reference(i * 0.1, "truth_vario_mps", 0.0))
            writer.write(Reference(i * 0.1, "vat_mps", 9.0))
    return path


def test_settings_against_settings_and_against_truth(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    flight = str(still_flight(tmp_path / "rest.mcap"))
    for name, window in (("a", 6), ("b", 10)):
        (tmp_path / f"{name}.toml").write_text(f'[average]\nwindow = "{window} s"\n', encoding="utf-8")
    a, b, out = str(tmp_path / "a.toml"), str(tmp_path / "b.toml"), ["--out", str(tmp_path / "out")]
    assert main(["compare", a, a, "--recording", flight, *out]) == 0
    assert main(["compare", a, b, "--recording", flight, *out]) == 1
    assert "they differ: average_mps" in capsys.readouterr().out
    # Truth wins over the other instrument, whose 9 m/s would not pass.
    assert main(["compare", a, flight, *out, "--rms", "vario_mps=0.05"]) == 0
    assert main(["compare", flight, flight, *out]) == 0
    assert "nothing was tested" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["a.toml", "a.toml"], ["--recording"]),
        (["a.csv", "a.csv", "--recording", "rest.mcap"], ["neither side", ".toml"]),
        (["a.csv", "a.csv", "--tolerance", "vario_mps"], ["COLUMN=VALUE"]),
        (["a.csv", "a.csv", "--tolerance", "vario_mps=nan"], ["COLUMN=VALUE"]),
        (["a.csv", "a.csv", "--tolerance", "vairo_mps=1"], ["vairo_mps", "vario_mps"]),
        (["a.csv", "none.csv"], ["none.csv", "there is no such file"]),
        (["a.csv", "."], ["trace.csv", "folder"]),
        (["a.csv", "torn.csv"], ["torn.csv, line 3", "3 cells"]),
        (["a.csv", "word.csv"], ["line 2", "vario_mps = 'much'", "a number"]),
        (["a.csv", "bare.mcap"], ["bare.mcap", "truth_vario_mps", "none"]),
    ],
)
def test_errors_are_one_clear_line(
    arguments: list[str],
    words: list[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    monkeypatch.chdir(tmp_path)
    write(Path("a.csv"), rows([1.0] * 5))
    Path("a.toml").write_text("", encoding="utf-8")
    Path("torn.csv").write_text("t_s,mode,vario_mps\n0.0,cruise,1\n0.1,cru", encoding="utf-8")
    Path("word.csv").write_text("t_s,mode,vario_mps\n0.0,cruise,much\n", encoding="utf-8")
    still_flight(Path("rest.mcap"))
    with RecordingWriter("bare.mcap", RecordingInfo("bare", "live")) as writer:
        writer.write(Baro(1.0, 95_000.0))
    assert main(["compare", *arguments]) == 2
    said = capsys.readouterr().err
    assert said.startswith("vario: ")
    assert said.count("\n") == 1
    for word in words:
        assert word in said
