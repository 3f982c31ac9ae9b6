"""Replay from the command line: trace, summary, sound and picture of a recording."""

from __future__ import annotations

import csv
import io
import json
import math
from itertools import takewhile
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from drivers.samples import CHANNEL_OF, CHANNELS, Oat, Reference, Sample
from hw_replay.recording import Recording
from hw_replay.simulate.demo import BUNDLED
from tests.golden.refresh import against_golden, thinned
from tests.support.comparison_text import sentences
from tests.support.examples import everything
from tests.support.page_flights import demo as demo_flight
from vario.app.cli import main
from vario.app.files.paths import folder_for

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


Rows = list[dict[str, str]]


def rows(path: Path) -> Rows:
    with path.open(newline="", encoding="ascii") as file:
        return list(csv.DictReader(file))


def summary(folder: Path) -> dict[str, Any]:
    found: dict[str, Any] = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    return found


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


@pytest.fixture(scope="module", params=["session", WHOLE])
def demo(request: pytest.FixtureRequest) -> tuple[Rows, dict[str, Any]]:
    """Trace and summary of the demo: of the flight that other tests use too, and of the command.

    In `make test` the flight ends after the first climb.
    """
    if request.param == "session":
        flown = demo_flight()
        return list(csv.DictReader(io.StringIO(flown.trace))), flown.summary
    out: Path = request.getfixturevalue(request.param)
    return rows(out / "trace.csv"), summary(out)


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
    trace = rows(demo / "trace.csv")
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


def test_what_it_shows_is_close_to_the_truth_in_the_recording(demo: tuple[Rows, dict[str, Any]]) -> None:
    """Physical plausibility instead of a tuned bound: netto is the motion of the air, wind is the wind."""
    truth: dict[str, list[tuple[float, float]]] = {}
    for sample in Recording(BUNDLED):
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


def as_long_csv(samples: list[Sample]) -> str:
    text = io.StringIO()
    writer = csv.writer(text)
    writer.writerow(["t_s", "channel", "v1", "v2", "v3"])
    for sample in samples:
        name = CHANNEL_OF.get(type(sample))
        if name is None:
            continue
        values = [getattr(sample, field) for field in CHANNELS[name].value_fields]
        if isinstance(sample, Oat):
            values = [sample.air_k - 273.15]
        cells = ["" if value is None else repr(value) for value in values]
        writer.writerow([repr(sample.t_s), name, *cells, *[""] * (3 - len(cells))])
    return text.getvalue()


def test_csv_in_any_order_gives_the_trace_of_the_recording(tmp_path: Path) -> None:
    until = takewhile(lambda sample: sample.t_s < 292.0, Recording(BUNDLED))
    samples = [sample for sample in until if sample.t_s > 280.0]
    shuffled = sorted(samples, key=lambda sample: (type(sample).__name__, -sample.t_s))
    traces = []
    for name, order in (("sorted", samples), ("shuffled", shuffled)):
        path = tmp_path / f"{name}.csv"
        path.write_text(as_long_csv(order), encoding="ascii")
        assert main(["import", str(path), "--out", str(tmp_path / f"{name}.mcap")]) == 0
        for kind in ("csv", "mcap"):
            out = tmp_path / f"{name}-{kind}"
            flight = str(tmp_path / f"{name}.{kind}")
            assert main(["replay", flight, "--no-sound", "--no-picture", "--out", str(out)]) == 0
            traces.append((out / "trace.csv").read_text(encoding="ascii"))
    assert len(traces[0].splitlines()) > 100
    assert traces.count(traces[0]) == 4


def test_an_interrupted_recording_plays_as_far_as_it_goes(tmp_path: Path) -> None:
    cut = tmp_path / "cut.mcap"
    cut.write_bytes(BUNDLED.read_bytes()[: BUNDLED.stat().st_size // 10])
    assert main(["replay", str(cut), "--no-sound", "--no-picture", "--out", str(tmp_path / "out")]) == 0
    found = summary(tmp_path / "out")
    assert 60.0 < found["flight"]["duration_s"] < 500.0
    assert 15.0 < found["flight"]["takeoff_s"] < 45.0  # as in the demo's plan
    assert found["flight"]["landing_s"] is None  # it breaks off in the air
    assert any("is truncated" in warning for warning in found["warnings"])


def test_an_import_keeps_the_settings_it_is_given(tmp_path: Path) -> None:
    config = Path(__file__).parents[2] / "config" / "demo.toml"
    (tmp_path / "log.csv").write_text("t_s,channel,v1,v2,v3\n0.5,baro,90000,,\n", encoding="ascii")
    out = tmp_path / "log.mcap"
    assert main(["import", str(tmp_path / "log.csv"), "--config", str(config), "--out", str(out)]) == 0
    info = Recording(out).info
    assert info.config_toml == config.read_text(encoding="utf-8")
    assert main(["replay", str(out), "--out", str(tmp_path / "out")]) == 0
    assert summary(tmp_path / "out")["glider"] == "Quendel 2"


IGC = "AXXX001\r\nHFDTE150726\r\n{extensions}{fixes}"


def igc_flight() -> str:
    """Two minutes level at 25 m/s, then turns of 24 s climbing at 2 m/s: positions and heights only."""
    north = east = track = 0.0
    altitude = 900.0
    lines = []
    for i in range(240):
        turning = i > 120
        track += math.tau / 24 if turning else 0.0
        altitude += 2.0 if turning else 0.0
        north, east = north + 25 * math.cos(track), east + 25 * math.sin(track)
        lat, lon = 48.0 + north / 111_200, 11.0 + east / (111_200 * math.cos(math.radians(48)))
        minutes = [(abs(x) - int(abs(x))) * 60_000 for x in (lat, lon)]
        time = f"{10 + i // 3600:02}{i // 60 % 60:02}{i % 60:02}"
        lines.append(
            f"B{time}{int(lat):02}{round(minutes[0]):05}N{int(lon):03}{round(minutes[1]):05}E"
            f"A{round(altitude):05}{round(altitude) + 50:05}\r\n"
        )
    return IGC.format(extensions="", fixes="".join(lines))


def test_an_igc_file_without_airspeed_is_uncompensated_and_says_so(tmp_path: Path) -> None:
    path = tmp_path / "flight.igc"
    path.write_text(igc_flight(), encoding="ascii", newline="")
    out = tmp_path / "out"
    assert main(["replay", str(path), "--no-sound", "--no-picture", "--out", str(out)]) == 0
    found = summary(out)
    assert any("uncompensated" in warning for warning in found["warnings"])
    assert len(found["climbs"]) == 1
    assert found["climbs"][0]["average_mps"] == pytest.approx(2.0, abs=0.15)
    last = rows(out / "trace.csv")[-1]
    assert last["mode"] == "circling"
    assert "uncompensated" in last["quality"]
    assert last["netto_mps"] == last["ias_mps"] == last["speed_to_fly_mps"] == ""
    assert float(last["average_mps"]) == pytest.approx(2.0, abs=0.15)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (["replay", "no/such/file.mcap"], ["no/such/file.mcap"]),
        (["replay", str(Path(__file__))], ["test_replay.py", "expected"]),
        (["config", "check", "no/such.toml"], ["no/such.toml"]),
        (["import", str(BUNDLED), "--out", str(BUNDLED)], ["quendel.mcap", "--out"]),
    ],
)
def test_errors_are_one_clear_line(
    arguments: list[str], words: list[str], capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(arguments) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert said.startswith("vario: ")
    for word in words:
        assert word in said
    assert "Traceback" not in said


def test_every_problem_of_a_settings_file_at_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "mine.toml"
    path.write_text('[flight]\nmacready = "1 m/s"\nballast = "20 m/s"\nbugs = 3.0\n', encoding="utf-8")
    assert main(["config", "check", str(path)]) == 2
    said = capsys.readouterr().err
    assert all(
        word in said for word in ("macready", "maccready", "ballast", "kg", "bugs", "0.5", "mine.toml")
    )


def test_config_show_gives_valid_settings(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["config", "show"]) == 0
    path = tmp_path / "shown.toml"
    path.write_text(capsys.readouterr().out, encoding="utf-8")
    assert main(["config", "check", str(path)]) == 0


def test_an_unwritable_folder_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "file").write_text("in the way")
    assert main(["replay", str(BUNDLED), "--out", str(tmp_path / "file" / "out")]) == 2
    assert "cannot be written" in capsys.readouterr().err


@pytest.mark.parametrize("command", ["report", "replay", "export", "import"])
def test_nothing_is_written_over_what_is_read(
    command: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    file = tmp_path / "trace.csv"
    file.write_text("t_s,channel,v1,v2,v3\n0.0,baro,95000.0,,\n1.0,baro,95001.0,,\n", encoding="utf-8")
    before = file.read_bytes()
    words = [command, str(file), *(["--as", "csv"] if command == "export" else [])]
    out = tmp_path if command == "replay" else file
    assert main([*words, "--out", str(out)]) == 2
    assert "this file is an input" in capsys.readouterr().err
    assert file.read_bytes() == before


def test_results_are_named_after_the_whole_name_of_the_recording() -> None:
    assert folder_for(Path("2025.06.14_flight.igc")).name == "2025.06.14_flight"
    assert folder_for(Path("a/day.csv.gz")).name == "day"
