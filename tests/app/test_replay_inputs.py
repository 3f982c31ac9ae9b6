"""Replay of tables, of an interrupted recording, of an import with settings, and of a FAI/IGC file."""

from __future__ import annotations

import csv
import io
import math
from itertools import takewhile
from pathlib import Path

import pytest

from drivers.samples import CHANNEL_OF, CHANNELS, Oat, Sample
from hw_replay.recording import Recording
from hw_replay.simulate.demo import BUNDLED
from tests.support.csv_tables import csv_rows
from tests.support.replay_results import summary
from vario.app.cli import main


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
    last = csv_rows(out / "trace.csv")[-1]
    assert last["mode"] == "circling"
    assert "uncompensated" in last["quality"]
    assert last["netto_mps"] == last["ias_mps"] == last["speed_to_fly_mps"] == ""
    assert float(last["average_mps"]) == pytest.approx(2.0, abs=0.15)
