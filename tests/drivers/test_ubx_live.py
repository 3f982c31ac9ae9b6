"""NAV-PVT of u-blox receivers, live: bytes from a general library, and a fake receiver.

Source of the format: u-blox interface description UBX-18010854, 5.14.11 "UBX-NAV-PVT".
"""

from dataclasses import replace
from datetime import UTC, datetime, time
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.errors import BadChecksumError
from drivers.fakes import FakeClock, FakeReceiver, World
from drivers.fakes.gnss import nav_pvt
from drivers.gnss import GnssReceiver
from drivers.nmea import framed
from drivers.samples import GnssPos, GnssVel, Sample
from drivers.ubx import MessageSplitter, read_message
from hw_replay.recording import Recording
from hw_replay.source import RecordingInfo
from hw_replay.writer import RecordingWriter
from tests.support.missing import library

PVT: dict[str, Any] = {
    "iTOW": 120_000_000,
    "year": 2026,
    "month": 5,
    "day": 1,
    "hour": 10,
    "min": 20,
    "second": 30,
    "validDate": 1,
    "validTime": 1,
    "nano": 200_000_123,
    "fixType": 3,
    "gnssFixOk": 1,
    "numSV": 11,
    "lon": 10.1234567,
    "lat": 50.7654321,
    "height": 600_000,
    "hMSL": 553_210,
    "velN": 12_345,
    "velE": -6_789,
    "velD": 1_234,
}


def message(**values: Any) -> bytes:
    """The message as a general library writes it; latitude and longitude in degrees, other fields in units of
    the message.
    """
    pyubx2 = library("pyubx2")
    return bytes(pyubx2.UBXMessage("NAV", "NAV-PVT", pyubx2.GET, **{**PVT, **values}).serialize())


def test_every_value_is_where_the_library_puts_it() -> None:
    fix = read_message(message())
    assert fix is not None
    assert fix.position == pytest.approx((50.7654321, 10.1234567, 553.21), abs=1e-9)
    assert fix.velocity_mps == (12.345, -6.789)
    assert fix.down_mps == 1.234
    assert fix.utc == datetime(2026, 5, 1, 10, 20, 30, 200_000, tzinfo=UTC)
    assert fix.utc_time == time(10, 20, 30, 200_000)
    assert (fix.has_fix, fix.dimensions, fix.satellites) == (True, 3, 11)


def test_readings_that_the_receiver_marks_invalid_are_left_out() -> None:
    flat, none, dead = (read_message(message(fixType=kind)) for kind in (2, 0, 1))
    assert flat is not None
    assert flat.velocity_mps is not None
    assert (flat.position, flat.down_mps, flat.dimensions) == (None, None, 2)
    for fix in (none, dead, read_message(message(gnssFixOk=0))):
        assert fix is not None
        assert (fix.position, fix.velocity_mps, fix.has_fix, fix.dimensions) == (None, None, False, 1)
    undated = read_message(message(validDate=0))
    assert undated is not None
    assert undated.utc is None
    assert read_message(message(month=0)) is None


def test_a_time_just_before_the_second_is_that_second() -> None:
    """nano is negative where the rounded second is ahead of the fix."""
    fix = read_message(message(nano=-123_456))
    assert fix is not None
    assert fix.utc == datetime(2026, 5, 1, 10, 20, 30, tzinfo=UTC)


@given(st.lists(st.integers(1, 40), max_size=20), st.binary(max_size=30))
def test_messages_and_sentences_are_found_however_they_arrive(cuts: list[int], noise: bytes) -> None:
    text = framed("GNVTG,,T,,M,0.140,N,0.260,K,A").encode()
    frame = nav_pvt(World(), datetime(2026, 5, 1, tzinfo=UTC))
    noise = noise.replace(b"\xb5", b"").replace(b"$", b"")
    stream = text + noise + b"\n" + frame + frame + text
    splitter, found, at = MessageSplitter(), [], 0
    for cut in [*cuts, len(stream)]:
        found += splitter.feed(stream[at : at + cut])
        at += cut
    assert [kind if isinstance(kind, str) else bytes(kind) for kind in found] == [
        text.decode().strip(),
        frame,
        frame,
        text.decode().strip(),
    ]
    assert (splitter.good, splitter.garbled, splitter.within_a_line) == (4, 0, False)


def test_a_message_that_ends_like_the_beginning_of_another_is_not_kept() -> None:
    frames = [nav_pvt(World(), datetime(2026, 5, 1, microsecond=k * 1000, tzinfo=UTC)) for k in range(1000)]
    frame = next(frame for frame in frames if frame.endswith(b"\xb5"))
    splitter = MessageSplitter()
    assert splitter.feed(frame) == [frame]
    assert not splitter.within_a_line


def heard(protocol: str, seconds: float = 3.0, **options: Any) -> tuple[GnssReceiver, list[Sample]]:
    clock, world = FakeClock(10.0), World(position=(50.5, 10.25, 812.5), velocity_mps=(20.0, -5.0, -1.5))
    receiver = GnssReceiver(FakeReceiver(world, clock, protocol=protocol, **options))
    receiver.start(clock())
    samples: list[Sample] = []
    end_s = clock() + 6.0 + seconds
    while clock() < end_s:
        clock.now_s = max(clock.now_s, receiver.due_s)
        samples += receiver.poll(clock())
    return receiver, samples


@pytest.mark.parametrize("baud", [9600, 115_200])
def test_a_receiver_with_ubx_only_gives_positions_and_the_vertical_speed(baud: int) -> None:
    receiver, samples = heard("UBX", baud=baud)
    assert receiver.status.baud == baud
    positions = [sample for sample in samples if isinstance(sample, GnssPos)]
    speeds = [sample for sample in samples if isinstance(sample, GnssVel)]
    assert len(positions) == len(speeds) >= 14
    assert {(p.lat_deg, p.lon_deg, p.altitude_m) for p in positions} == {(50.5, 10.25, 812.5)}
    assert {(v.north_mps, v.east_mps, v.down_mps) for v in speeds} == {(20.0, -5.0, -1.5)}
    assert [p.t_s for p in positions] == [v.t_s for v in speeds]
    for earlier, later in pairwise(positions):
        assert later.t_s - earlier.t_s == pytest.approx(0.2, abs=0.021)  # the rhythm of the reads
    assert receiver.utc_at_zero is not None
    assert (receiver.utc_at_zero - datetime(2026, 6, 1, 11, tzinfo=UTC)).total_seconds() == pytest.approx(
        0.0, abs=0.05
    )


def test_where_both_arrive_each_epoch_is_given_once_with_the_vertical_speed() -> None:
    _, samples = heard("both")
    late = [sample for sample in samples if sample.t_s > 13.0]
    speeds = [sample for sample in late if isinstance(sample, GnssVel)]
    assert {speed.down_mps for speed in speeds} == {-1.5}
    assert len(speeds) == len(late) / 2 == len({speed.t_s for speed in speeds})


def test_sentences_alone_stay_as_they_were() -> None:
    _, samples = heard("NMEA")
    assert {sample.down_mps for sample in samples if isinstance(sample, GnssVel)} == {None}


def test_a_damaged_message_is_told_and_not_used() -> None:
    clock = FakeClock(10.0)
    port = FakeReceiver(World(), clock, protocol="UBX")
    receiver = GnssReceiver(port)
    receiver.start(clock())
    while not receiver.running:
        clock.now_s = max(clock.now_s, receiver.due_s)
        receiver.poll(clock())
    port.garbled_epochs = 1
    faults, samples = [], []
    while clock() < 14.0:
        clock.now_s = max(clock.now_s, receiver.due_s)
        try:
            samples += receiver.poll(clock())
        except BadChecksumError as fault:
            faults.append(fault)
    assert len(faults) == receiver.status.garbled == 1
    assert {(s.lat_deg, s.lon_deg) for s in samples if isinstance(s, GnssPos)} == {(47.0, 11.0)}


def test_the_vertical_speed_is_recorded_and_comes_back(tmp_path: Path) -> None:
    _, samples = heard("UBX", 1.0)
    whole_ns = [
        replace(sample, t_s=round(sample.t_s, 9)) for sample in samples
    ]  # as the scheduler gives them
    with RecordingWriter(tmp_path / "a.mcap", RecordingInfo("x", "live")) as writer:
        for sample in whole_ns:
            writer.write(sample)
    assert list(Recording(tmp_path / "a.mcap")) == whole_ns
