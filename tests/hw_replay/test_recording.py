"""Recordings: written and read by the project, and read by the library of the container.

Container: MCAP specification, https://mcap.dev/spec.
"""

from dataclasses import asdict
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from mcap._chunk_builder import ChunkBuilder
from mcap.data_stream import RecordBuilder
from mcap.reader import make_reader
from mcap.records import Message

from drivers.samples import CHANNEL_OF, CHANNELS, GnssPos, GnssVel, Reference, Sample
from hw_replay.chunk import Chunk as OurChunk
from hw_replay.errors import CorruptRecording, RecordingError
from hw_replay.recording import Recording
from hw_replay.source import RecordingInfo
from hw_replay.writer import RecordingWriter
from tests.support.examples import drawn
from tests.support.protobuf_messages import values_of
from tests.support.recording_samples import INFO, chunk_ends, flight, write

LOCATION = {"lat_deg": "latitude", "lon_deg": "longitude", "altitude_m": "altitude"}


@st.composite
def any_sample(draw: st.DrawFn) -> Sample:
    t_s = draw(st.integers(0, 10**14)) / 1e9
    if draw(st.integers(0, 8)) == 0:
        name = draw(st.from_regex(r"[a-z_]{1,20}", fullmatch=True))
        return Reference(t_s, name, draw(st.floats(-1e12, 1e12)))
    channel = CHANNELS[draw(st.sampled_from(sorted(CHANNELS)))]
    values = []
    for name in channel.value_fields:
        number = st.floats(*channel.limits[name])
        values.append(draw(st.none() | number if name in channel.optional else number))
    return channel.sample(t_s, *values)


@settings(max_examples=drawn(60))
@given(samples=st.lists(any_sample(), max_size=40), chunk_s=st.sampled_from([0.5, 10.0, 1e5]))
def test_every_sample_is_read_back_exactly_and_in_order_of_arrival(
    tmp_path_factory: pytest.TempPathFactory, samples: list[Sample], chunk_s: float
) -> None:
    recording = Recording(write(tmp_path_factory.mktemp("r") / "a.mcap", samples, chunk_s=chunk_s))
    assert list(recording) == samples
    assert list(recording) == samples  # it can be read again
    assert recording.rejected() == 0
    assert recording.warnings() == []


def test_what_a_recording_says_about_itself_is_read_back(tmp_path: Path) -> None:
    assert Recording(write(tmp_path / "a.mcap", [])).info == INFO
    bare = RecordingInfo("t", "live")
    assert Recording(write(tmp_path / "b.mcap", [], bare)).info == bare


def test_duration_is_that_of_the_samples(tmp_path: Path) -> None:
    samples = flight(7)
    assert Recording(write(tmp_path / "a.mcap", samples)).duration_s == pytest.approx(6.9)
    assert Recording(write(tmp_path / "b.mcap", [])).duration_s is None


def test_the_library_reads_the_messages_and_the_schemas_fit_them(tmp_path: Path) -> None:
    samples = flight(3)
    path = write(tmp_path / "a.mcap", samples)
    with path.open("rb") as file:
        reader = make_reader(file, validate_crcs=True)
        messages = list(reader.iter_messages(log_time_order=False))
        metadata = {record.name: record.metadata for record in reader.iter_metadata()}
        summary = reader.get_summary()
    assert len(messages) == len(samples)
    assert summary is not None
    assert summary.statistics is not None
    assert summary.statistics.message_count == len(samples)
    for sample, (schema, channel, message) in zip(samples, messages, strict=True):
        assert schema is not None
        values = values_of(schema, message.data)
        expected = {name: value for name, value in asdict(sample).items() if value is not None}
        topic = f"/reference/{expected.pop('name')}" if isinstance(sample, Reference) else None
        del expected["t_s"]
        if isinstance(sample, GnssPos):
            expected = {LOCATION[name]: value for name, value in expected.items()}
        assert values == expected
        assert channel.topic == (topic or f"/{CHANNEL_OF[type(sample)]}")
        assert channel.message_encoding == "protobuf"
        assert set(channel.metadata) >= set(values)
        assert message.log_time == message.publish_time == round(sample.t_s * 1e9)
    assert metadata["recording"]["title"] == "Test flight"
    assert metadata["glider"] == {"toml": INFO.glider_toml}


def test_units_are_named_and_the_optional_value_is_left_out(tmp_path: Path) -> None:
    path = write(tmp_path / "a.mcap", [GnssVel(0.0, 1.0, 2.0, None)])
    with path.open("rb") as file:
        ((schema, channel, message),) = make_reader(file).iter_messages()
    assert schema is not None
    assert channel.metadata == {"north_mps": "m/s", "east_mps": "m/s", "down_mps": "m/s"}
    assert values_of(schema, message.data) == {"north_mps": 1.0, "east_mps": 2.0}


@settings(max_examples=drawn(150))
@given(cut=st.floats(0.0, 1.0, exclude_max=True))
def test_a_recording_cut_off_anywhere_yields_its_whole_chunks(
    tmp_path_factory: pytest.TempPathFactory, cut: float
) -> None:
    directory = tmp_path_factory.mktemp("cut")
    samples = flight(9)
    data = write(directory / "whole.mcap", samples, chunk_s=1.0).read_bytes()
    length = int(cut * len(data))
    path = directory / "cut.mcap"
    path.write_bytes(data[:length])
    whole_chunks = sum(end <= length for end in chunk_ends(data))
    try:
        recording = Recording(path)
    except CorruptRecording:
        assert whole_chunks == 0
        assert length < data.index(b"format_version") + 200
        return
    read = list(recording)
    assert read == [sample for sample in samples if sample.t_s < whole_chunks]
    assert recording.info.title == "Test flight"
    (warning,) = recording.warnings()
    reached = read[-1].t_s if read else 0.0
    assert f"is truncated; everything up to {reached:.1f} s" in warning


def test_zeros_at_the_end_as_a_file_system_leaves_them_after_a_power_cut(tmp_path: Path) -> None:
    samples = flight(5)
    path = write(tmp_path / "a.mcap", samples, chunk_s=1.0)
    data = path.read_bytes()
    path.write_bytes(data[: chunk_ends(data)[2]] + bytes(5000))
    recording = Recording(path)
    assert list(recording) == [sample for sample in samples if sample.t_s < 3.0]
    assert "is truncated" in recording.warnings()[0]


def test_metadata_reach_the_file_before_any_sample_does(tmp_path: Path) -> None:
    writer = RecordingWriter(tmp_path / "a.mcap", INFO)
    recording = Recording(tmp_path / "a.mcap")
    assert recording.info == INFO
    assert list(recording) == []
    writer.close()
    writer.close()


def test_a_chunk_reaches_the_file_when_the_next_one_begins(tmp_path: Path) -> None:
    with RecordingWriter(tmp_path / "a.mcap", INFO, chunk_s=1.0) as writer:
        for sample in flight(3):
            writer.write(sample)
        assert max(sample.t_s for sample in Recording(tmp_path / "a.mcap")) == 1.9


@pytest.mark.parametrize("which", [0, 1, 3])
def test_a_damaged_chunk_is_left_out_and_the_rest_is_read(tmp_path: Path, which: int) -> None:
    samples = flight(5)
    path = write(tmp_path / "a.mcap", samples, chunk_s=1.0)
    data = bytearray(path.read_bytes())
    data[chunk_ends(bytes(data))[which] - 20] ^= 0xFF  # inside the compressed messages
    path.write_bytes(data)
    recording = Recording(path)
    assert list(recording) == [sample for sample in samples if int(sample.t_s) != which]
    (warning,) = recording.warnings()
    assert "1 damaged chunk left out" in warning


@settings(max_examples=drawn(200))
@given(place=st.floats(0.0, 1.0, exclude_max=True), bit=st.integers(0, 7))
def test_no_flipped_bit_makes_reading_fail_or_brings_in_a_sample_that_was_not_there(
    tmp_path_factory: pytest.TempPathFactory, place: float, bit: int
) -> None:
    directory = tmp_path_factory.mktemp("flip")
    samples = flight(4)
    data = bytearray(write(directory / "a.mcap", samples, chunk_s=1.0).read_bytes())
    data[int(place * len(data))] ^= 1 << bit
    path = directory / "b.mcap"
    path.write_bytes(data)
    try:
        recording = Recording(path)
    except RecordingError:
        return
    read = list(recording)
    assert all(sample in samples for sample in read)
    if read != samples:
        assert recording.warnings()


@given(
    st.lists(
        st.tuples(st.integers(1, 4), st.integers(0, 2**63), st.binary(max_size=40), st.integers(0, 2**63)),
        max_size=30,
    )
)
@settings(max_examples=drawn(100))
def test_a_chunk_has_the_bytes_of_the_library(messages: list[tuple[int, int, bytes, int]]) -> None:
    """The builder of the general MCAP library is the reference."""
    written = []
    for builder in (ChunkBuilder(), OurChunk()):
        for channel_id, log_time, data, publish_time in messages:
            builder.add_message(Message(channel_id, log_time, data, publish_time, sequence=len(data)))
        indexes = RecordBuilder()
        for index in builder.message_indices.values():
            index.write(indexes)
        times = (builder.message_start_time, builder.message_end_time, builder.num_messages)
        written.append((builder.end(), indexes.end(), times))
    assert written[0] == written[1]
