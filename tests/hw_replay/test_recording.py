"""Recordings: written and read by the project, and read by the library of the container.

Container: MCAP specification, https://mcap.dev/spec.
"""

import gc
import io
import math
import struct
import sys
from dataclasses import asdict
from datetime import UTC, datetime
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from mcap._chunk_builder import ChunkBuilder
from mcap.data_stream import RecordBuilder
from mcap.reader import make_reader
from mcap.records import Chunk, Message
from mcap.stream_reader import StreamReader
from mcap.writer import Writer

from drivers.samples import (
    CHANNEL_OF,
    CHANNELS,
    Baro,
    GnssPos,
    GnssVel,
    ImuAccel,
    LoadFactor,
    Pitot,
    Reference,
    Sample,
)
from hw_replay.chunk import Chunk as OurChunk
from hw_replay.errors import CorruptRecording, RecordingError
from hw_replay.open import convert, open_source
from hw_replay.recording import Recording
from hw_replay.source import RecordingInfo, SensorInfo
from hw_replay.writer import RecordingWriter
from tests.support import missing
from tests.support.examples import drawn
from tests.support.protobuf_messages import values_of

LOCATION = {"lat_deg": "latitude", "lon_deg": "longitude", "altitude_m": "altitude"}

INFO = RecordingInfo(
    title="Test flight",
    origin="simulated",
    start_utc=datetime(2024, 5, 1, 10, 30, tzinfo=UTC),
    sensors={"baro": SensorInfo("invented", 25.0, 1.5, 0.02), "pitot": SensorInfo("unknown")},
    config_toml='[vario]\ndamping = "1 s"\n',
    glider_toml='name = "Invented – ü"\n',
)


def write(path: Path, samples: list[Sample], info: RecordingInfo = INFO, chunk_s: float = 2.0) -> Path:
    with RecordingWriter(path, info, chunk_s) as writer:
        for sample in samples:
            writer.write(sample)
    return path


def flight(seconds: int) -> list[Sample]:
    """A few channels at a few rates."""
    samples: list[Sample] = []
    for tick in range(seconds * 10):
        t_s = tick / 10
        samples.append(Baro(t_s, 90_000.0 + tick / 7))
        samples.append(ImuAccel(t_s, 0.1, -0.2, -9.81 + tick / 1000))
        if tick % 10 == 0:
            samples.append(GnssVel(t_s, 1.0, 2.0, None if tick % 20 else -0.5))
            samples.append(Reference(t_s, "truth_vario_mps", tick / 3))
    return samples


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


def chunk_ends(data: bytes) -> list[int]:
    """File offsets behind each chunk, found with the library."""
    stream = io.BytesIO(data)
    return [
        stream.tell()
        for record in StreamReader(stream, emit_chunks=True).records
        if isinstance(record, Chunk)
    ]


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


def foreign(path: Path, messages: list[tuple[str, str, int, bytes]], **options: object) -> Path:
    """A file of another program, made with the library alone: (topic, encoding, time, data)."""
    with path.open("wb") as file:
        writer = Writer(file, **options)  # type: ignore[arg-type]
        writer.start()
        ids: dict[str, int] = {}
        for topic, encoding, time_ns, data in messages:
            if topic not in ids:
                ids[topic] = writer.register_channel(topic, encoding, 0)
            writer.add_message(ids[topic], time_ns, data, time_ns)
        writer.finish()
    return path


@pytest.mark.parametrize("chunked", [True, False])
def test_a_file_of_another_program_with_our_topics_is_read(tmp_path: Path, chunked: bool) -> None:
    path = foreign(
        tmp_path / "x.mcap",
        [
            ("/baro", "json", 5, b'{"static_pa": 90000, "extra": "x"}'),
            ("/camera", "jpeg", 6, b"\xff\xd8"),
            ("/pitot", "cdr", 7, b"\0\1"),
            ("/gnss_vel", "json", 8, b'{"north_mps": 1, "east_mps": 2.5, "down_mps": null}'),
        ],
        use_chunking=chunked,
    )
    recording = open_source(path)
    assert list(recording) == [Baro(5e-9, 90_000.0), GnssVel(8e-9, 1.0, 2.5, None)]
    assert recording.info.title == "x"
    (warning,) = recording.warnings()
    assert "/camera (1)" in warning
    assert "/pitot as 'cdr'" in warning
    assert recording.rejected() == 0


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b'{"static_pa": "90000"}', "static_pa is not a number"),
        (b'{"static_pa": true}', "static_pa is not a number"),
        (b'{"static_pa": [90000.0]}', "static_pa is not a number"),
        (b'{"static_pa": null}', "static_pa missing"),
        (b"{}", "static_pa missing"),
        (b'{"static_pa": NaN}', "static_pa outside 10000 to 120000 Pa"),
        (b'{"static_pa": Infinity}', "static_pa outside"),
        (b'{"static_pa": 900.0}', "static_pa outside"),
        (b'{"static_pa": 1' + b"0" * 400 + b"}", "static_pa outside"),
        (b'{"static_pa": 1' + b"0" * 5000 + b"}", "not JSON"),
        (b"90000.0", "not a JSON object"),
        (b"[]", "not a JSON object"),
        (b'{"static_pa": ', "not JSON"),
        (b"\xff\xfe", "not JSON"),
        (b"", "not JSON"),
        (b"[" * 100_000, "not JSON"),
    ],
)
def test_a_message_that_is_wrong_is_counted_with_its_number_and_never_used(
    tmp_path: Path, data: bytes, reason: str
) -> None:
    good = b'{"static_pa": 90000.0}'
    messages = [("/baro", "json", t, d) for t, d in enumerate([good, data, good])]
    recording = Recording(foreign(tmp_path / "x.mcap", messages))
    assert [sample.t_s for sample in recording] == [0.0, 2e-9]
    assert recording.rejected() == 1
    (warning,) = recording.warnings()
    assert reason in warning
    assert "(message 2)" in warning


@pytest.mark.parametrize(
    ("schema", "data", "reason"),
    [
        ("vario.Baro", b"", "static_pa missing"),
        ("vario.Baro", b"\x09" + struct.pack("<d", 900.0), "static_pa outside 10000 to 120000 Pa"),
        ("vario.Baro", b"\x09" + struct.pack("<d", math.nan), "static_pa outside"),
        ("vario.Baro", b"\x09\x00", "cannot be decoded"),
        ("other.Baro", b"\x09" + struct.pack("<d", 9e4), "/baro as 'other.Baro' instead of 'vario.Baro'"),
    ],
)
def test_an_encoded_message_that_is_wrong_is_never_used(
    tmp_path: Path, schema: str, data: bytes, reason: str
) -> None:
    """0x09 is the tag of field 1, eight bytes (https://protobuf.dev/programming-guides/encoding/)."""
    path = tmp_path / "x.mcap"
    with path.open("wb") as file:
        writer = Writer(file)
        writer.start()
        channel = writer.register_channel(
            "/baro", "protobuf", writer.register_schema(schema, "protobuf", b"")
        )
        writer.add_message(channel, 5, data, 5)
        writer.finish()
    recording = Recording(path)
    assert list(recording) == []
    (warning,) = recording.warnings()
    assert reason in warning


def test_a_reference_that_is_no_number_and_a_time_out_of_range_are_left_out(tmp_path: Path) -> None:
    messages = [
        ("/reference/x_mps", "json", 1, b'{"value": NaN}'),
        ("/reference/x_mps", "json", 2, b'{"value": "1"}'),
        ("/reference/x_mps", "json", 2, b'{"value": 1' + b"0" * 400 + b"}"),
        ("/reference/x_mps", "json", 2**64 - 1, b'{"value": 1}'),
        ("/reference/x_mps", "json", 3, b'{"value": 1}'),
    ]
    recording = Recording(foreign(tmp_path / "x.mcap", messages))
    assert list(recording) == [Reference(3e-9, "x_mps", 1.0)]
    assert recording.rejected() == 4


def test_a_chunk_that_claims_to_unpack_to_gigabytes_is_not_unpacked(tmp_path: Path) -> None:
    path = write(tmp_path / "a.mcap", [Baro(0.0, 9e4), Baro(5.0, 9e4)], chunk_s=1.0)
    data = bytearray(path.read_bytes())
    chunk_end = chunk_ends(bytes(data))[0]
    # Chunk record, by the specification: opcode, length, start time, end time, uncompressed size, …
    start = next(
        at
        for at in range(chunk_end)
        if data[at] == 0x06 and at + 9 + struct.unpack_from("<Q", data, at + 1)[0] == chunk_end
    )
    struct.pack_into("<Q", data, start + 9 + 16, 1 << 60)
    path.write_bytes(data)
    recording = Recording(path)
    assert list(recording) == [Baro(5.0, 9e4)]
    assert "1 damaged chunk" in recording.warnings()[0]


@pytest.mark.parametrize(
    "sample", [Baro(-1e-3, 9e4), Baro(float("nan"), 9e4), Baro(1e11, 9e4), Pitot(0.0, float("inf"))]
)
def test_what_no_reader_could_use_is_not_written(tmp_path: Path, sample: Sample) -> None:
    with (
        RecordingWriter(tmp_path / "a.mcap", INFO) as writer,
        pytest.raises(ValueError, match=r"time|finite"),
    ):
        writer.write(sample)
    assert list(Recording(tmp_path / "a.mcap")) == []


def test_a_later_format_is_refused_by_name(tmp_path: Path) -> None:
    path = tmp_path / "a.mcap"
    with path.open("wb") as file:
        writer = Writer(file)
        writer.start()
        writer.add_metadata("recording", {"format_version": "3"})
        writer.finish()
    with pytest.raises(RecordingError, match=r"a\.mcap.*version '3'.*up to '2'"):
        Recording(path)


def test_out_of_order_arrival_stays_in_order_of_arrival(tmp_path: Path) -> None:
    samples = [Baro(10.0, 9e4), Baro(9.5, 9e4), LoadFactor(10.2, 1.0), GnssPos(7.0, 47.0, 9.0, 500.0)]
    assert list(Recording(write(tmp_path / "a.mcap", samples))) == samples


def test_converting_counts_the_samples_and_keeps_the_settings_given(tmp_path: Path) -> None:
    samples = flight(2)
    source = Recording(write(tmp_path / "a.mcap", samples))
    counts = convert(source, tmp_path / "b.mcap", glider_toml='name = "Other"\n')
    assert counts == {"baro": 20, "imu_accel": 20, "gnss_vel": 2, "reference/truth_vario_mps": 2}
    copy = Recording(tmp_path / "b.mcap")
    assert list(copy) == samples
    assert copy.info.glider_toml == 'name = "Other"\n'
    assert copy.info.config_toml == INFO.config_toml
    assert sorted(path.name for path in tmp_path.iterdir()) == ["a.mcap", "b.mcap"]


def test_converting_to_a_place_that_cannot_be_written_says_so(tmp_path: Path) -> None:
    source = Recording(write(tmp_path / "a.mcap", []))
    with pytest.raises(RecordingError, match=r"no/b\.mcap.*cannot be written"):
        convert(source, tmp_path / "no" / "b.mcap")


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"", "the file is empty"),
        (b"$GPGGA,123519,4807.038,N\n", "NMEA 0183"),
        (b"time,alt\n1,2\n", "a table with other columns ('time,alt')"),
        (b"PK\x03\x04\0\0\0\0", "ZIP"),
        (bytes(range(256)), "binary data"),
        (b"Dear diary\n", "text that begins 'Dear diary'"),
        (b"t_s;channel;v1;v2;v3\n", "expected the header 't_s,channel,v1,v2,v3'"),
        ("t_s,channel,v1,v2,v3\n".encode("utf-16"), "UTF-16"),
    ],
)
def test_an_unknown_file_is_refused_with_what_it_looks_like(
    tmp_path: Path, content: bytes, message: str
) -> None:
    path = tmp_path / "f.dat"
    path.write_bytes(content)
    with pytest.raises(RecordingError) as caught:
        open_source(path)
    assert message in str(caught.value)
    assert str(caught.value).startswith(str(path))


def test_a_missing_file_and_a_directory_are_refused(tmp_path: Path) -> None:
    with pytest.raises(RecordingError, match="there is no such file"):
        open_source(tmp_path / "none")
    with pytest.raises(RecordingError, match="this is a directory"):
        open_source(tmp_path)


@settings(max_examples=drawn(200))
@given(content=st.binary(max_size=300) | st.binary(max_size=200).map(lambda tail: b"\x89MCAP0\r\n" + tail))
def test_any_bytes_at_all_are_read_or_refused(
    tmp_path_factory: pytest.TempPathFactory, content: bytes
) -> None:
    path = tmp_path_factory.mktemp("any") / "f"
    path.write_bytes(content)
    try:
        source = open_source(path)
    except RecordingError:
        return
    assert all(sample.t_s >= 0.0 for sample in source)


@pytest.mark.skipif(sys.platform == "win32", reason=missing.LINUX)
def test_a_recording_that_cannot_be_begun_leaves_nothing_behind(tmp_path: Path) -> None:
    """The system refuses to let a file grow (setrlimit(2), RLIMIT_FSIZE), as a full disk does.

    A handle left open is a ResourceWarning, which fails the suite.
    """
    import resource  # noqa: PLC0415  (not on Windows)

    path = tmp_path / "flight.mcap"
    before = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (20, before[1]))
    try:
        with pytest.raises(RecordingError, match=r"flight\.mcap: cannot be written: File too large"):
            RecordingWriter(path, INFO)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)
    gc.collect()
    assert list(tmp_path.iterdir()) == []


@pytest.mark.skipif(not Path("/dev/full").exists(), reason=missing.LINUX)
def test_a_device_that_refuses_is_left_in_its_place(tmp_path: Path) -> None:
    path = tmp_path / "flight.mcap"
    path.symlink_to("/dev/full")
    with pytest.raises(RecordingError, match="No space left"):
        RecordingWriter(path, INFO)
    assert path.is_symlink()


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
