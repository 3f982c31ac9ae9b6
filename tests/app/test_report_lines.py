"""Curves and time axis of the picture: thinning of many rows, gaps, and times."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from matplotlib.figure import Figure
from scipy import stats

from tests.support.examples import drawn
from tests.support.report_trace import flight
from vario.app.picture.data import TraceData
from vario.app.picture.time_axis import set_time_axis
from vario.settings.display import Measure


@given(st.integers(0, 2**32 - 1), st.integers(701, 5000), st.floats(0.0, 1.0))
@settings(max_examples=drawn(30))
def test_thinning_keeps_means_and_extremes(seed: int, n: int, unknown: float) -> None:
    random = np.random.default_rng(seed)
    t_s = np.sort(random.uniform(0.0, 1000.0, n))
    values = np.where(random.random(n) < unknown, np.nan, random.normal(size=n))
    line = TraceData({"t_s": t_s, "vario_mps": values}, []).line("vario_mps", Measure.VERTICAL_SPEED)
    known = np.isfinite(values)
    assert line.empty == (not known.any())
    if line.empty:
        return
    assert np.nanmin(line.low) == np.nanmin(values)
    assert np.nanmax(line.high) == np.nanmax(values)
    bins = np.linspace(t_s[0], t_s[-1], 701)
    expected = stats.binned_statistic(t_s[known], values[known], "mean", bins).statistic
    np.testing.assert_allclose(
        np.sort(line.mean[np.isfinite(line.mean)]), np.sort(expected[np.isfinite(expected)]), atol=1e-9
    )


@pytest.mark.parametrize("rate_hz", [1, 10])
def test_no_line_is_drawn_across_a_gap_in_the_recording(rate_hz: int) -> None:
    whole = flight(1000, rate_hz)
    kept = (whole["t_s"] < 300) | (whole["t_s"] > 500)
    trace = {name: values[kept] for name, values in whole.items()}
    line = TraceData(trace, []).line("altitude_m", Measure.HEIGHT)
    steps_s = np.diff(line.t_s[np.isfinite(line.mean)])
    (jump,) = np.flatnonzero(steps_s > 100)
    assert np.isnan(line.mean[jump + 1])
    t_s, _, _ = TraceData(trace, []).track_km()
    assert np.count_nonzero(np.isnan(t_s)) == 1


def time_axis(t_s: Sequence[float], start_utc: datetime | None) -> tuple[str, list[str]]:
    """Label and texts of the ticks inside the axis."""
    axes = Figure().add_subplot()
    set_time_axis(axes, TraceData({"t_s": np.array(t_s)}, [], start_utc))
    low, high = axes.get_xlim()
    show = axes.xaxis.get_major_formatter()
    return axes.get_xlabel(), [show(t, None) for t in axes.get_xticks() if low <= t <= high]


def test_times_count_from_the_beginning_where_utc_is_not_known() -> None:
    label, ticks = time_axis([1000.0, 1100.0], None)
    assert (label, ticks[:2]) == ("time since the beginning, seconds", ["0", "10"])
    label, ticks = time_axis([1000.0, 4600.0], None)
    assert (label, ticks[:2]) == ("time since the beginning, minutes", ["0", "5"])
    label, ticks = time_axis([1000.0, 1000.0 + 4 * 3600.0], None)
    assert (label, ticks[:2]) == ("time since the beginning, h:mm", ["0:00", "0:30"])
    _, ticks = time_axis([10_000.74, 10_000.74 + 6 * 3600.0], None)  # floats a little below whole hours
    assert ticks == [f"{half // 2}:{half % 2 * 30:02}" for half in range(13)]


def test_times_are_utc_where_it_is_known() -> None:
    """A FAI/IGC file counts from midnight, a live recording from its start: both show the time of day."""
    midnight = datetime(2017, 7, 15, tzinfo=UTC)
    label, ticks = time_axis([31_076.0, 53_612.0], midnight)  # 08:37:56 to 14:53:32
    assert (label, ticks[0], ticks[-1]) == ("UTC", "9:00", "14:30")
    label, ticks = time_axis([1.0, 61.0], datetime(2026, 5, 1, 23, 59, 29, tzinfo=UTC))
    assert (label, ticks[0], ticks[-1]) == ("UTC", "23:59:30", "0:00:30")
