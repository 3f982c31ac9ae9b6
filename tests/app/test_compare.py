"""Comparisons: definition of a difference, its begin, its statistics and its description."""

from __future__ import annotations

import json
import math
import statistics
from collections.abc import Sequence
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.support.comparison_text import sentences
from tests.support.comparison_traces import rows, table, write
from vario.app.cli import main
from vario.app.compare.compare import Tolerances, compare_tables
from vario.app.compare.tables import Table


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


def test_the_tolerance_of_a_column_comes_before_the_usual_one() -> None:
    a, b = table(rows([0.0] * 10)), table(rows([0.3] * 10))
    assert compare_tables(a, b, Tolerances({"vario_mps": 0.31})).same
    assert not compare_tables(a, b, Tolerances({"vario_mps": 0.29})).same
    assert not compare_tables(a, b, Tolerances({"vario_mps": 1.0}, {"vario_mps": 0.29})).same


def test_a_value_that_is_no_longer_shown_is_a_difference() -> None:
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
