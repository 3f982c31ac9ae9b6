"""Replay of the demo from the command line: its files, the golden trace, and the truth."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from drivers.samples import Reference
from hw_replay.simulate.demo import BUNDLED
from tests.golden.refresh import against_golden, thinned
from tests.support.bundled_flight import bundled
from tests.support.comparison_text import sentences
from tests.support.csv_tables import Rows, csv_rows
from tests.support.examples import everything
from tests.support.page_flights import demo as demo_flight
from tests.support.replay_results import summary
from vario.app.cli import main

PART_ROWS = 94
"""Rows of the golden trace in the part of the flight that `make test` flies."""

COLUMNS = [
    "t_s",
    "mode",
    "altitude_m",
    "ias_mps",
    "tas_mps",
    "pitch_rad",
    "bank_rad",
    "vario_mps",
    "netto_mps",
    "relative_netto_mps",
    "average_mps",
    "turn_average_mps",
    "climb_average_mps",
    "wind_north_mps",
    "wind_east_mps",
    "speed_to_fly_mps",
    "quality",
]

WHOLE = pytest.param("whole", marks=pytest.mark.long)


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The results of the command for the demo."""
    out = Path(tmp_path_factory.mktemp("demo"))
    assert main(["replay", str(BUNDLED), "--out", str(out)]) == 0
    return out


@pytest.fixture(scope="module")
def excerpt(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The results of the command for a part of the first climb."""
    out = Path(tmp_path_factory.mktemp("excerpt"))
    words = ["--from", "300", "--to", "320"]
    assert main(["replay", str(BUNDLED), "--out", str(out), *words]) == 0
    return out


def test_a_part_without_samples_is_an_error_and_leaves_no_result(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["--from", "9000", "--to", "9100", "--no-picture", "--no-sound"]
    assert main(["replay", str(BUNDLED), "--out", str(tmp_path), *words]) == 2
    assert "--from 9000 --to 9100: no samples in this part; the recording is from" in capsys.readouterr().err
    assert not [path for path in tmp_path.iterdir() if path.is_file()]


@pytest.fixture(scope="module", params=["session", WHOLE])
def demo(request: pytest.FixtureRequest) -> tuple[Rows, dict[str, Any]]:
    """Trace and summary of the demo: of the flight that other tests use too, and of the command.

    In `make test` the flight ends after the first climb.
    """
    if request.param == "session":
        flown = demo_flight()
        return list(csv.DictReader(io.StringIO(flown.trace))), flown.summary
    out: Path = request.getfixturevalue(request.param)
    return csv_rows(out / "trace.csv"), summary(out)


@pytest.mark.parametrize("results", ["excerpt", WHOLE])
def test_four_files_with_their_content(results: str, request: pytest.FixtureRequest) -> None:
    demo: Path = request.getfixturevalue(results)
    assert sorted(path.name for path in demo.iterdir()) == [
        "report.png",
        "summary.json",
        "tone.flac",
        "trace.csv",
    ]
    assert (demo / "report.png").read_bytes().startswith(b"\x89PNG\r\n\x1a\n")
    trace = csv_rows(demo / "trace.csv")
    assert list(trace[0])[: len(COLUMNS)] == COLUMNS
    times = [float(row["t_s"]) for row in trace]
    assert np.allclose(np.diff(times), 0.1, atol=0.021)  # 10 Hz, on frames of 20 ms
    sound = soundfile.info(demo / "tone.flac")
    assert sound.frames / sound.samplerate == pytest.approx(times[-1] - times[0], abs=0.2)


def test_the_demo_is_the_flight_it_says(demo: tuple[Rows, dict[str, Any]]) -> None:
    """Launch, cruise, two thermals in wind with recentring, glide, landing."""
    trace, found = demo
    modes: list[str] = []
    for row in trace:
        if not modes or modes[-1] != row["mode"]:
            modes.append(row["mode"])
    # Each circle is shifted once with level wings, which ends the circling mode for a moment.
    thermal = ["circling", "cruise", "circling", "cruise"]
    expected = ["ground", "launch", "cruise", *thermal, *thermal, "approach", "ground"]
    assert modes == (expected if everything() else expected[:7])
    climbs = ["right", "left"] if everything() else ["right"]
    assert [climb["direction"] for climb in found["climbs"]] == climbs
    assert all(100 < climb["gain_m"] < 300 for climb in found["climbs"])
    assert not [warning for warning in found["warnings"] if "no " in warning]


def test_outputs_are_close_to_the_truth_in_the_recording(demo: tuple[Rows, dict[str, Any]]) -> None:
    """Physical plausibility instead of a tuned bound: netto is the motion of the air, wind is the wind."""
    truth: dict[str, list[tuple[float, float]]] = {}
    for sample in bundled():
        if isinstance(sample, Reference):
            truth.setdefault(sample.name, []).append((sample.t_s, sample.value))
    trace, _ = demo
    for column, bound in (("vario_mps", 0.8), ("netto_mps", 0.8), ("tas_mps", 0.3), ("wind_east_mps", 1.5)):
        pairs = np.array(truth[f"truth_{column}"])
        known = [(float(r["t_s"]), float(r[column])) for r in trace if r[column] and r["mode"] == "circling"]
        t_s, shown = np.array(known).T
        error = shown - np.interp(t_s, *pairs.T)
        assert len(error) > (2000 if everything() else 1000)
        assert float(np.sqrt(np.mean(error**2))) < bound, column
        assert abs(float(np.mean(error))) < bound / 3, column


def test_the_golden_trace_has_not_moved(demo: tuple[Rows, dict[str, Any]]) -> None:
    """If the change is intended, run `python -m tests.golden.refresh`, and state the changes and reasons in
    the commit.
    """
    comparison = against_golden(thinned(demo[0]), None if everything() else PART_ROWS)
    assert len(comparison.columns) > len(COLUMNS)
    if not comparison.same:
        pytest.fail("the demo flies otherwise:\n" + "\n".join(sentences(comparison)), pytrace=False)


@pytest.mark.long
def test_a_replay_is_repeatable_byte_for_byte(whole: Path, tmp_path: Path) -> None:
    assert main(["replay", str(BUNDLED), "--out", str(tmp_path)]) == 0
    for name in ("trace.csv", "tone.flac", "summary.json"):
        assert (tmp_path / name).read_bytes() == (whole / name).read_bytes(), name
