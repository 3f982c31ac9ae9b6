"""Recordings of other programs and other versions, wrong messages, conversion, and files that are none."""

import gc
import math
import struct
import sys
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from mcap.writer import Writer

from drivers.samples import Baro, GnssPos, GnssVel, LoadFactor, Pitot, Reference, Sample
from hw_replay.errors import RecordingError
from hw_replay.open import convert, open_source
from hw_replay.recording import Recording
from hw_replay.writer import RecordingWriter
from tests.support import missing
from tests.support.examples import drawn
from tests.support.recording_samples import INFO, chunk_ends, flight, write


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
def test_messages_that_no_reader_can_use_are_not_written(tmp_path: Path, sample: Sample) -> None:
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
