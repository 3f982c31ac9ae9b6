"""Recordings as general viewers of the container see them, through its own library."""

import json
from pathlib import Path

import pytest
from mcap.reader import make_reader
from mcap.writer import Writer

from drivers.samples import Baro, GnssPos
from hw_replay.recording import Recording, RecordingWriter
from hw_replay.source import RecordingInfo

PLACE = GnssPos(1.5, 50.123456789, -9.87654321, 431.25)


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    path = tmp_path / "flight.mcap"
    with RecordingWriter(path, RecordingInfo("a flight", "live")) as writer:
        writer.write(Baro(1.0, 95_000.0))
        writer.write(PLACE)
    return path


def test_positions_have_the_schema_viewers_put_on_a_map(recording: Path) -> None:
    """https://docs.foxglove.dev/docs/visualization/message-schemas/location-fix names the fields."""
    with recording.open("rb") as file:
        found = [
            (
                schema.name if schema else "",
                schema.encoding if schema else "",
                channel.message_encoding,
                message,
            )
            for schema, channel, message in make_reader(file).iter_messages(topics=["/gnss_pos"])
        ]
    ((name, schema_encoding, encoding, message),) = found
    assert (name, schema_encoding, encoding) == ("foxglove.LocationFix", "jsonschema", "json")
    assert json.loads(message.data) == {
        "latitude": PLACE.lat_deg,
        "longitude": PLACE.lon_deg,
        "altitude": PLACE.altitude_m,
    }


def test_every_message_fits_the_schema_the_file_gives_for_it(recording: Path) -> None:
    with recording.open("rb") as file:
        for schema, _, message in make_reader(file).iter_messages():
            assert schema is not None
            properties = json.loads(schema.data)["properties"]
            for name, value in json.loads(message.data).items():
                assert properties[name]["minimum"] <= value <= properties[name]["maximum"]


def test_positions_come_back_exactly(recording: Path) -> None:
    assert list(Recording(recording))[1] == PLACE


def test_positions_under_our_own_names_are_read_as_well(tmp_path: Path, recording: Path) -> None:
    old = tmp_path / "old.mcap"
    with old.open("wb") as file, recording.open("rb") as new:
        writer = Writer(file)
        writer.start()
        for metadata in make_reader(new).iter_metadata():
            writer.add_metadata(metadata.name, metadata.metadata)
        schema = writer.register_schema("gnss_pos", "jsonschema", b"{}")
        channel = writer.register_channel("/gnss_pos", "json", schema)
        values = {"lat_deg": PLACE.lat_deg, "lon_deg": PLACE.lon_deg, "altitude_m": PLACE.altitude_m}
        time_ns = round(PLACE.t_s * 1e9)
        writer.add_message(channel, time_ns, json.dumps(values).encode(), time_ns)
        writer.finish()
    assert list(Recording(old)) == [PLACE]


def test_a_message_without_longitude_is_left_out(tmp_path: Path) -> None:
    path = tmp_path / "bad.mcap"
    with path.open("wb") as file:
        writer = Writer(file)
        writer.start()
        writer.add_metadata("recording", {"title": "x", "origin": "live", "format": "1"})
        schema = writer.register_schema("foxglove.LocationFix", "jsonschema", b"{}")
        channel = writer.register_channel("/gnss_pos", "json", schema)
        writer.add_message(channel, 0, b'{"latitude": 50.0, "altitude": 3.0}', 0)
        writer.finish()
    recording = Recording(path)
    assert list(recording) == []
    assert "lon_deg missing" in recording.warnings()[0]
