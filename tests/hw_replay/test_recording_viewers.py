"""Recordings as read by general viewers, through the library of the container."""

import json
import struct
import tracemalloc
from itertools import pairwise
from pathlib import Path

import pytest
from mcap.data_stream import ReadDataStream
from mcap.reader import SeekingReader, make_reader
from mcap.records import Chunk, MessageIndex
from mcap.stream_reader import get_chunk_data_stream
from mcap.writer import Writer

from drivers.events import Mark
from drivers.samples import Baro, GnssPos
from hw_replay.open import convert
from hw_replay.recording import Recording
from hw_replay.simulate.demo import BUNDLED
from hw_replay.source import RecordingInfo
from hw_replay.writer import RecordingWriter
from tests.support.missing import VIEWER, library
from tests.support.protobuf_messages import message_of, values_of

PLACE = GnssPos(1.5, 50.123456789, -9.87654321, 431.25)


@pytest.fixture
def recording(tmp_path: Path) -> Path:
    path = tmp_path / "flight.mcap"
    with RecordingWriter(path, RecordingInfo("a flight", "live")) as writer:
        writer.write(Baro(1.0, 95_000.0))
        writer.write(PLACE)
    return path


def test_positions_have_the_schema_viewers_put_on_a_map(recording: Path) -> None:
    """https://docs.foxglove.dev/docs/sdk/schemas/location-fix names the fields."""
    with recording.open("rb") as file:
        found = list(make_reader(file).iter_messages(topics=["/gnss_pos"]))
    ((schema, channel, message),) = found
    assert schema is not None
    assert (schema.name, schema.encoding, channel.message_encoding) == (
        "foxglove.LocationFix",
        "protobuf",
        "protobuf",
    )
    assert values_of(schema, message.data) == {
        "latitude": PLACE.lat_deg,
        "longitude": PLACE.lon_deg,
        "altitude": PLACE.altitude_m,
    }


def test_a_mark_is_among_the_log_messages_of_a_viewer(tmp_path: Path) -> None:
    """https://docs.foxglove.dev/docs/sdk/schemas/log names the fields; level 2 is INFO."""
    path = tmp_path / "a.mcap"
    with RecordingWriter(path, RecordingInfo("a flight", "live")) as writer:
        writer.write(Mark(1.25, "strong"))
    with path.open("rb") as file:
        ((schema, _, message),) = make_reader(file).iter_messages()
    assert schema is not None
    assert schema.name == "foxglove.Log"
    log = message_of(schema, message.data)
    assert (log.message, log.name, log.level) == ("strong", "mark", 2)
    assert (log.timestamp.seconds, log.timestamp.nanos) == (1, 250_000_000)
    assert list(Recording(path)) == [Mark(1.25, "strong")]


def test_an_open_viewer_makes_a_plot_and_a_map_from_the_file_alone(tmp_path: Path) -> None:
    """The reader of rerun, headless and without layout: points on the map, numbers by time, texts."""
    viewer = library("rerun.chunk", VIEWER)
    path = long_recording(tmp_path / "minute.mcap")
    columns: dict[str, list[object]] = {}
    for chunk in viewer.McapReader(path).stream():
        batch = chunk.to_record_batch()
        for name in batch.schema.names:
            columns.setdefault(f"{chunk.entity_path}@{name}", []).extend(batch.column(name).to_pylist())
    fixes = [point for row in columns["/gnss_pos@GeoPoints:positions"] for point in row]  # type: ignore[attr-defined]
    assert fixes[:2] == [[50.0, -9.0], [pytest.approx(50.0001), -9.0]]
    assert len(fixes) == 60
    values = [row["static_pa"] for rows in columns["/baro@vario.Baro:message"] for row in rows]  # type: ignore[attr-defined]
    assert values == [95_000.0 + k for k in range(600)]
    assert columns["/event/mark@TextLog:text"] == [["here"]]


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
        writer.add_metadata("recording", {"title": "x", "origin": "live", "format_version": "1"})
        schema = writer.register_schema("foxglove.LocationFix", "jsonschema", b"{}")
        channel = writer.register_channel("/gnss_pos", "json", schema)
        writer.add_message(channel, 0, b'{"latitude": 50.0, "altitude": 3.0}', 0)
        writer.finish()
    recording = Recording(path)
    assert list(recording) == []
    assert "lon_deg missing" in recording.warnings()[0]


def long_recording(path: Path) -> Path:
    """A minute in thirty chunks, with a position a second and one mark."""
    with RecordingWriter(path, RecordingInfo("a minute", "live")) as writer:
        for k in range(600):
            writer.write(Baro(k / 10, 95_000.0 + k))
            if k % 10 == 0:
                writer.write(GnssPos(k / 10, 50.0 + k / 1e5, -9.0, 400.0))
            if k == 300:
                writer.write(Mark(30.0, "here"))
    return path


# Every version of the reader that is allowed knows these names of the times; the newest would have others.
@pytest.mark.filterwarnings("ignore:(start|end)_time is deprecated:DeprecationWarning")
@pytest.mark.parametrize(("topic", "expected"), [("/baro", 100), ("/gnss_pos", 10), ("/oat", 0)])
def test_a_seeking_reader_finds_one_topic_between_two_times(
    tmp_path: Path, topic: str, expected: int
) -> None:
    with long_recording(tmp_path / "minute.mcap").open("rb") as file:
        reader = SeekingReader(file, validate_crcs=True)
        found = [
            message.log_time
            for _, _, message in reader.iter_messages(
                [topic], start_time=20_000_000_000, end_time=30_000_000_000
            )
        ]
    assert len(found) == expected
    assert all(20_000_000_000 <= time_ns < 30_000_000_000 for time_ns in found)
    assert found == sorted(found)


def test_every_entry_of_the_index_leads_to_its_message(tmp_path: Path) -> None:
    """What readers that trust the index need, byte by byte: https://mcap.dev/spec, "Message Index" and
    "Chunk Index": the offset of a message counts from the start of the uncompressed chunk, and the record of
    a message (opcode 5, eight bytes of length) begins with its channel, a sequence number and its time."""
    entries = 0
    with long_recording(tmp_path / "minute.mcap").open("rb") as file:
        summary = SeekingReader(file).get_summary()
        assert summary is not None
        assert summary.statistics is not None
        assert len(summary.chunk_indexes) == summary.statistics.chunk_count == 30
        assert all(a.message_end_time < b.message_start_time for a, b in pairwise(summary.chunk_indexes))
        for place in summary.chunk_indexes:
            file.seek(place.chunk_start_offset + 9)
            stream, size = get_chunk_data_stream(Chunk.read(ReadDataStream(file)), validate_crc=True)
            data = stream.read(size)
            for channel, offset in place.message_index_offsets.items():
                file.seek(offset + 9)
                for time_ns, start in MessageIndex.read(ReadDataStream(file)).records:
                    opcode, _, found, _, found_ns = struct.unpack_from("<BQHIQ", data, start)
                    assert (opcode, found, found_ns) == (5, channel, time_ns)
                    assert place.message_start_time <= time_ns <= place.message_end_time
                    entries += 1
        assert entries == summary.statistics.message_count == 661


@pytest.mark.long
@pytest.mark.filterwarnings("ignore:(start|end)_time is deprecated:DeprecationWarning")
def test_a_general_reader_goes_to_any_moment_of_an_imported_copy_of_the_bundled_flight(
    tmp_path: Path,
) -> None:
    """A reader that trusts the index opens the chunks of that moment and no others. The bundled flight itself
    has none, to be small, and is read from its beginning."""
    copy = tmp_path / "copy.mcap"
    convert(Recording(BUNDLED), copy)
    assert all(a == b for a, b in zip(Recording(copy), Recording(BUNDLED), strict=True))
    with copy.open("rb") as file:
        summary = SeekingReader(file).get_summary()
        assert summary is not None
        assert summary.statistics is not None
        assert len(summary.chunk_indexes) == summary.statistics.chunk_count > 10
        opened = [
            place
            for place in summary.chunk_indexes
            if place.message_start_time < 401e9 and place.message_end_time >= 400e9
        ]
        assert len(opened) <= 2
        found = [
            values_of(schema, message.data)["static_pa"]
            for schema, _, message in SeekingReader(file).iter_messages(
                ["/baro"], start_time=400_000_000_000, end_time=401_000_000_000
            )
        ]
    own = [s.static_pa for s in Recording(BUNDLED) if isinstance(s, Baro) and 400.0 <= s.t_s < 401.0]
    assert found == own
    assert len(own) == 25


def test_what_is_kept_of_a_chunk_while_flying_is_small(tmp_path: Path) -> None:
    """A day of chunks of a second may cost 20 MB: 86,400 of them, 230 bytes each."""
    with RecordingWriter(tmp_path / "long.mcap", RecordingInfo("long", "live"), 1.0) as writer:

        def fly(from_s: int, to_s: int) -> int:
            for k in range(from_s, to_s):
                writer.write(Baro(float(k), 95_000.0))
                writer.write(GnssPos(float(k), 50.0, -9.0, 400.0))
            return tracemalloc.get_traced_memory()[0]

        tracemalloc.start()
        try:
            before = fly(0, 1000)
            grown = fly(1000, 3000) - before
        finally:
            tracemalloc.stop()
    assert grown < 2000 * 230
    with (tmp_path / "long.mcap").open("rb") as file:
        summary = SeekingReader(file).get_summary()
    assert summary is not None
    assert len(summary.chunk_indexes) == 3000


def test_importing_a_recording_that_breaks_off_gives_a_whole_one(tmp_path: Path) -> None:
    whole = long_recording(tmp_path / "whole.mcap")
    cut = tmp_path / "cut.mcap"
    cut.write_bytes(whole.read_bytes()[: whole.stat().st_size * 2 // 3])
    mended = tmp_path / "mended.mcap"
    convert(Recording(cut), mended)
    assert list(Recording(mended)) == list(Recording(cut))
    assert Mark(30.0, "here") in list(Recording(mended))
    with mended.open("rb") as file:
        reader = SeekingReader(file)
        summary = reader.get_summary()
        assert summary is not None
        assert summary.chunk_indexes
        assert summary.statistics is not None
        assert sum(1 for _ in reader.iter_messages()) == summary.statistics.message_count
