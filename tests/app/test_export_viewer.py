"""The export for general viewers, read back by the libraries of MCAP and of Protocol Buffers."""

import math
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from mcap.reader import make_reader
from scipy.spatial.transform import Rotation

from drivers.events import Mark
from drivers.samples import Baro, GnssPos, GnssVel, Pitot, Sample
from hw_replay.source import RecordingInfo
from hw_replay.writer import RecordingWriter
from tests.support.missing import VIEWER, library
from tests.support.protobuf_messages import message_of, values_of
from vario.app.cli import main
from vario.app.export.viewer import ViewerFile, quaternion
from vario.app.replay.session import ReplaySession, opened
from vario.flight.reading import Reading

START = datetime(2025, 6, 14, 12, 30, tzinfo=UTC)


def messages(path: Path, topic: str) -> list[tuple[datetime, Any]]:
    with path.open("rb") as file:
        return [
            (datetime.fromtimestamp(message.log_time / 1e9, UTC), message_of(schema, message.data))
            for schema, _, message in make_reader(file).iter_messages([f"/{topic}"])
            if schema is not None
        ]


def small(path: Path) -> Path:
    samples: list[Sample] = []
    for k in range(60):
        t = k / 2
        samples += [Baro(t, 95_000.0 - k), Pitot(t, 500.0), GnssVel(t, 30.0, 0.0, None)]
        samples.append(GnssPos(t, 50.0 + k * 1.35e-4, 10.0, 540.0 + k / 12))
    with RecordingWriter(path, RecordingInfo("Small", "simulated", START)) as writer:
        for sample in [*samples, Mark(29.6, "strong")]:
            writer.write(sample)
    return path


@pytest.fixture(scope="module")
def readings(tmp_path_factory: pytest.TempPathFactory) -> list[Reading]:
    recording = small(tmp_path_factory.mktemp("viewer") / "small.mcap")
    source, loaded = opened(recording, None)
    return list(ReplaySession(source, loaded.settings, loaded.glider))


@pytest.fixture(scope="module")
def exported(readings: list[Reading], tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("viewer") / "outputs.mcap"
    with ViewerFile(path, 1.0, START) as file:
        for reading in readings:
            file.take(reading)
    return path


def test_rows_hold_the_outputs_at_their_time_in_utc(exported: Path, readings: list[Reading]) -> None:
    by_time = {round(reading.t_s, 3): reading for reading in readings}
    rows = messages(exported, "outputs")
    assert len(rows) == 30
    for at, row in rows:
        reading = by_time[round(row.t_s, 3)]
        assert (at - START).total_seconds() == pytest.approx(row.t_s, abs=1e-6)
        assert row.mode == reading.mode.value
        assert row.HasField("vario_mps") is (reading.energy.vario_mps is not None)
        if reading.energy.vario_mps is not None:
            assert row.vario_mps == reading.energy.vario_mps


def test_units_stand_beside_the_outputs(exported: Path) -> None:
    with exported.open("rb") as file:
        summary = make_reader(file).get_summary()
    assert summary is not None
    (channel,) = (c for c in summary.channels.values() if c.topic == "/outputs")
    assert channel.metadata["vario_mps"] == "m/s"


def test_the_track_is_on_the_map_and_modes_are_in_the_log(exported: Path, readings: list[Reading]) -> None:
    fixes = {
        (reading.position.t_s, reading.position.lat_deg, reading.position.lon_deg)
        for reading in readings
        if reading.position is not None
    }
    found = messages(exported, "position")
    assert len(found) == len(fixes)
    assert {(fix.latitude, fix.longitude) for _, fix in found} == {fix[1:] for fix in fixes}
    texts = [log.message for _, log in messages(exported, "log")]
    assert texts == ["mode: ground", "mode: cruise"]


@pytest.mark.parametrize("heading_deg", [0.0, 70.0, 200.0, 355.0])
@pytest.mark.parametrize(("pitch_deg", "bank_deg"), [(0.0, 0.0), (10.0, 40.0), (-20.0, -60.0)])
def test_the_attitude_is_that_of_a_general_library(
    heading_deg: float, pitch_deg: float, bank_deg: float
) -> None:
    """scipy turns a frame of north, east, down by yaw, pitch, roll; the axes are then renamed by matrices."""
    enu_from_ned = np.array([[0.0, 1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, -1.0]])
    frd_from_flu = np.diag([1.0, -1.0, -1.0])
    ned_from_frd = Rotation.from_euler("ZYX", [heading_deg, pitch_deg, bank_deg], degrees=True).as_matrix()
    q = quaternion(*(math.radians(angle) for angle in (heading_deg, pitch_deg, bank_deg)))
    ours = Rotation.from_quat([q["x"], q["y"], q["z"], q["w"]]).as_matrix()
    assert ours == pytest.approx(enu_from_ned @ ned_from_frd @ frd_from_flu, abs=1e-12)


def test_the_command_writes_a_file_that_an_open_viewer_plots_and_maps(tmp_path: Path) -> None:
    """The reader of rerun, headless."""
    recording, out = small(tmp_path / "small.mcap"), tmp_path / "view.mcap"
    assert main(["export", str(recording), "--as", "mcap", "--out", str(out)]) == 0
    with out.open("rb") as file:
        marks = [
            values_of(schema, message.data)["message"]
            for schema, _, message in make_reader(file).iter_messages(["/log"])
            if schema is not None and values_of(schema, message.data)["name"] == "mark"
        ]
    assert marks == ["strong"]
    viewer = library("rerun.chunk", VIEWER)
    columns: dict[str, list[Any]] = {}
    for chunk in viewer.McapReader(out).stream():
        batch = chunk.to_record_batch()
        for name in batch.schema.names:
            columns.setdefault(f"{chunk.entity_path}@{name}", []).extend(batch.column(name).to_pylist())
    assert columns["/position@GeoPoints:positions"][0] == [[50.0, 10.0]]
    altitudes = [row["altitude_m"] for rows in columns["/outputs@vario.Outputs:message"] for row in rows]
    assert len(altitudes) > 200
    assert columns["/position@message_log_time"][0].replace(tzinfo=UTC) == START


def test_a_recording_is_never_replaced(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    recording = small(tmp_path / "small.mcap")
    before = recording.read_bytes()
    assert main(["export", str(recording), "--as", "mcap", "--out", str(recording)]) != 0
    assert "is an input" in capsys.readouterr().err
    assert recording.read_bytes() == before
