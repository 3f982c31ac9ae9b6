"""GNSS receivers: published sentences, detection of the baud rate, and accepted and rejected data."""

import math
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st
from pynmeagps import VALNONE, NMEAReader

from drivers import nmea
from drivers.errors import SilentError
from drivers.fakes import FakeClock, FakeReceiver, World
from drivers.fakes.gnss import epoch_sentences
from drivers.gnss import BAUDS, GnssReceiver
from drivers.samples import CHANNELS, GnssPos
from drivers.sensor import NEVER_S
from tests.support.gnss_lines import GGA, GSA, NO_FIX, RMC, VTG, Line, listening, run, say

STILL = "$GNVTG,,T,,M,0.140,N,0.260,K,A*3C"


@pytest.mark.parametrize("published", [GGA, RMC, VTG, GSA, NO_FIX, STILL])
def test_published_sentences_have_the_checksum_they_are_printed_with(published):
    splitter = nmea.SentenceSplitter()
    assert splitter.feed(f"{published}\r\n".encode()) == [published]
    assert splitter.feed(f"{published[:-1]}X\r\n".encode()) == []
    assert (splitter.good, splitter.garbled) == (1, 1)


def test_what_the_published_sentences_say():
    fix = nmea.read(GGA)
    assert fix.position == pytest.approx((48.1173, 11.516667, 545.4), abs=1e-6)
    assert (fix.has_fix, fix.satellites, fix.hdop, fix.utc_time) == (True, 8, 0.9, time(12, 35, 19))
    fix = nmea.read(RMC)
    speed_mps = 22.4 * 1852 / 3600
    assert fix.velocity_mps == pytest.approx(
        (speed_mps * math.cos(math.radians(84.4)), speed_mps * math.sin(math.radians(84.4)))
    )
    assert nmea.read(GSA).dimensions == 3
    assert nmea.read(NO_FIX).has_fix is False
    assert nmea.read(NO_FIX).velocity_mps is None


_CLOCK = st.times().map(lambda at: f"{at:%H%M%S}.{at.microsecond // 10_000:02d}")
_DECIMAL = st.one_of(st.just(""), st.floats(0.0, 359.0).map(lambda value: f"{value:.3f}"))


@given(
    clock=_CLOCK,
    day=st.dates(date(2000, 1, 1), date(2068, 1, 1)).map(lambda day: f"{day:%d%m%y}"),
    lat=st.tuples(st.integers(0, 89), st.floats(0.0, 59.9)).map(lambda at: f"{at[0]:02d}{at[1]:08.5f}"),
    lon=st.tuples(st.integers(0, 179), st.floats(0.0, 59.9)).map(lambda at: f"{at[0]:03d}{at[1]:08.5f}"),
    ns=st.sampled_from("NS"),
    ew=st.sampled_from("EW"),
    one=_DECIMAL,
    two=_DECIMAL,
)
def test_fields_are_read_as_by_the_general_parser(
    *, clock: str, day: str, lat: str, lon: str, ns: str, ew: str, one: str, two: str
) -> None:
    """Each value as the message of `pynmeagps` has it; 1 knot is 1852 m an hour."""

    def both(body: str):
        sentence = nmea.framed(body).strip()
        return nmea.read(sentence), NMEAReader.parse(f"{sentence}\r\n".encode(), validate=VALNONE)

    fix, message = both(f"GNGGA,{clock},{lat},{ns},{lon},{ew},1,08,{one},{two},M,46.9,M,,")
    assert (fix.utc_time, fix.satellites, fix.hdop) == (message.time, message.numSV, _or_none(message.HDOP))
    expected = (message.lat, message.lon, message.alt)
    assert fix.position == (None if message.alt == "" else expected)
    fix, message = both(f"GNRMC,{clock},A,{lat},{ns},{lon},{ew},{one},{two},{day},,,A,V")
    assert (fix.utc_time, fix.day) == (message.time, message.date)
    if message.spd != "" and message.cog != "":
        assert math.hypot(*fix.velocity_mps) == pytest.approx(message.spd * 1852 / 3600)
    fix, message = both(f"GNVTG,{two},T,,M,{one},N,,K,A")
    if message.sogn != "" and message.cogt != "":
        speed_mps, course = message.sogn * 1852 / 3600, math.radians(message.cogt)
        expected = (speed_mps * math.cos(course), speed_mps * math.sin(course))
        assert fix.velocity_mps == pytest.approx(expected)
    fix, message = both(f"GNGSA,A,3,{','.join(['04'] * 12)},2.5,{one},2.1,1")
    assert (fix.dimensions, fix.hdop) == (message.navMode, _or_none(message.HDOP))


def _or_none(value: float | str) -> float | None:
    return None if isinstance(value, str) else value


def test_standing_still_without_a_course_is_no_speed_and_moving_without_one_is_unknown():
    assert nmea.read(STILL).velocity_mps == (0.0, 0.0)
    assert nmea.read(nmea.framed("GNVTG,,T,,M,20.0,N,37.0,K,A").strip()).velocity_mps is None


@pytest.mark.parametrize("talker", ["GP", "GN", "GL", "GA", "GB", "GQ", "BD"])
def test_any_talker(talker):
    world = World(velocity_mps=(10.0, -20.0, 0.0))
    text = epoch_sentences(world, datetime(2026, 6, 1, 12, tzinfo=UTC), talker).decode().split()
    fixes = [nmea.read(one) for one in text]
    assert [fix.kind for fix in fixes if fix] == ["RMC", "VTG", "GGA", "GSA"]
    assert fixes[0].velocity_mps == pytest.approx((10.0, -20.0), abs=0.01)


@pytest.mark.parametrize("quality", [0, 6, 7, 8])
def test_estimated_or_simulated_positions_are_not_believed(quality):
    body = f"GPGGA,123519,4807.038,N,01131.000,E,{quality},08,0.9,545.4,M,46.9,M,,"
    assert nmea.read(nmea.framed(body).strip()).position is None


@pytest.mark.parametrize("mode", "NEMS")
def test_estimated_or_simulated_velocities_are_not_believed(mode):
    body = f"GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230326,,,{mode}"
    assert nmea.read(nmea.framed(body).strip()).velocity_mps is None


def test_a_date_that_ran_over():
    # IS-GPS-200: the week number repeats after 1024 weeks. 2026-06-01 less 1024 weeks is 2006-10-16.
    assert nmea.unrolled(date(2006, 10, 16)) == date(2026, 6, 1)
    assert nmea.unrolled(date(2026, 6, 1) - timedelta(weeks=2048)) == date(2026, 6, 1)
    assert nmea.unrolled(date(2026, 6, 1)) == date(2026, 6, 1)


@given(st.binary(max_size=400), st.lists(st.integers(0, 400), max_size=4))
def test_any_bytes_in_any_pieces_give_only_sentences_with_a_good_checksum(data, cuts):
    data += f"{GGA}\r\n".encode() + data
    splitter = nmea.SentenceSplitter()
    edges = [0, *sorted(cut % (len(data) + 1) for cut in cuts), len(data)]
    found = [one for a, b in pairwise(edges) for one in splitter.feed(data[a:b])]
    for one in found:
        body, _, stored = one[1:].rpartition("*")
        if body.isascii():
            assert nmea.checksum(body.encode()) == int(stored, 16)
    assert found == nmea.SentenceSplitter().feed(data)


FIELDS = st.one_of(
    st.text(st.characters(codec="ascii", exclude_characters="$*,\r\n", min_codepoint=32), max_size=8),
    st.sampled_from(["", "A", "V", "N", "4807.038", "01131.000", "123519", "230394", "9999.9", "1e999"]),
)


@given(st.sampled_from(["GPGGA", "GNRMC", "GNVTG", "GPGSA", "GPGSV", "PXYZ"]), st.lists(FIELDS, max_size=18))
def test_any_fields_give_a_sample_that_can_be_or_none(kind, fields):
    port = Line()
    receiver, clock = listening(port)
    samples = say(receiver, clock, port, nmea.framed(",".join([kind, *fields])).strip())
    for sample in samples:
        limits = CHANNELS["gnss_pos" if isinstance(sample, GnssPos) else "gnss_vel"].limits
        for name, (low, high) in limits.items():
            value = getattr(sample, name)
            assert value is None or low <= value <= high


@pytest.mark.parametrize("baud", BAUDS)
def test_the_speed_of_the_line_is_found(baud):
    clock = FakeClock(3.0)
    receiver, _ = listening(FakeReceiver(World(), clock, baud=baud, rate_hz=1.0), clock=clock)
    assert receiver.status.baud == baud
    assert run(receiver, clock, 3.0)[0]


def test_a_line_at_a_speed_nobody_speaks_says_what_was_heard():
    clock = FakeClock()
    receiver = GnssReceiver(FakeReceiver(World(), clock, baud=12345))
    receiver.start(0.0)
    samples, (fault,) = run(receiver, clock, 60.0)
    assert not samples
    assert isinstance(fault, SilentError)
    assert "bytes arrived but no NMEA sentence" in str(fault)
    assert receiver.due_s == NEVER_S


def test_a_silent_line():
    clock = FakeClock()
    receiver = GnssReceiver(Line())
    receiver.start(0.0)
    _, (fault,) = run(receiver, clock, 60.0)
    assert "nothing arrives" in str(fault)
    assert "TX goes to RX" in str(fault)
