"""Sentences of a flight, parsed by `pynmeagps` and `pynmea2`, two general parsers of NMEA 0183."""

import math
import socket
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pynmea2
import pytest
from pynmeagps import VALCKSUM, NMEAReader

from drivers.samples import GnssVel
from hw_replay.open import open_source
from hw_replay.simulate.demo import BUNDLED
from tests.support.page_flights import demo
from vario.app.export.sentences import play_nmea
from vario.app.live.run import RunOptions, run
from vario.app.nmea.out import LONGEST, TRANSDUCERS, NmeaOutput, sentence, sentences
from vario.flight.cruise.glide import FinalGlide
from vario.flight.reading import Reading
from vario.settings.errors import SettingsError
from vario.settings.load import parse_settings
from vario.settings.schema import Settings

START = datetime(2025, 6, 14, 12, 30, tzinfo=UTC)


def parsed(text: str) -> Any:
    return NMEAReader.parse(text.encode("ascii"), validate=VALCKSUM)


def of(reading: Reading) -> dict[str, list[Any]]:
    found: dict[str, list[Any]] = {}
    for text in sentences(reading, START):
        message = parsed(text)
        found.setdefault(message.msgID, []).append(message)
    return found


def transducers(messages: list[Any]) -> dict[str, tuple[str, str, float]]:
    found = {}
    for message in messages:
        fields = message.payload
        for at in range(0, len(fields), 4):
            kind, value, unit, name = fields[at : at + 4]
            found[name] = (kind, unit, float(value))
    return found


@pytest.fixture
def circling() -> Reading:
    return next(r for r in reversed(demo().readings) if r.mode.value == "circling" and r.wind is not None)


@pytest.mark.parametrize(
    "text",
    [  # published sentences with right checksums, of several makers' documents
        "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47",
        "$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48",
        "$IIXDR,C,19.52,C,TempAir*19",
        "$IIMWV,084.0,R,10.4,N,A*04",
    ],
)
def test_checksums_are_those_of_published_sentences(text: str) -> None:
    assert sentence(*text[1:-3].split(",")) == text + "\r\n"


@pytest.mark.parametrize("step", [290, pytest.param(29, marks=pytest.mark.long)])
def test_every_sentence_of_a_flight_is_one_and_of_the_standard(step: int) -> None:
    kinds = set()
    for reading in demo().readings[::step]:
        for text in sentences(reading, START):
            assert len(text) <= LONGEST
            message = parsed(text)
            assert message.talker == "II"
            kinds.add(message.msgID)
    assert kinds == {"GLL", "VTG", "HDT", "MWD", "MWV", "XDR"}  # and no VHW: that is speed through water


def test_sentences_contain_the_values_of_the_instrument(circling: Reading) -> None:
    found = of(circling)
    position, wind = circling.position, circling.wind
    assert position is not None
    assert wind is not None
    (gll,) = found["GLL"]
    assert gll.lat == pytest.approx(position.lat_deg, abs=1e-6)
    assert gll.lon == pytest.approx(position.lon_deg, abs=1e-6)
    second = gll.time.hour * 3600 + gll.time.minute * 60 + gll.time.second + gll.time.microsecond / 1e6
    assert second == pytest.approx(12.5 * 3600 + position.t_s, abs=0.011)
    (mwd,) = found["MWD"]
    to = math.radians(mwd.dirT + 180.0)
    assert mwd.speedM * math.sin(to) == pytest.approx(wind.east_mps, abs=0.06)
    assert mwd.speedM * math.cos(to) == pytest.approx(wind.north_mps, abs=0.06)
    assert mwd.speedN * 1852 / 3600 == pytest.approx(mwd.speedM, abs=0.08)
    (hdt,), (mwv,) = found["HDT"], found["MWV"]
    assert (mwv.reference, mwv.speedu, mwv.status) == ("T", "M", "A")
    assert math.remainder(hdt.headingT + mwv.angle - mwd.dirT, 360.0) == pytest.approx(0.0, abs=0.11)
    said = transducers(found["XDR"])
    assert said["VARIO_MPS"] == ("G", "", pytest.approx(circling.needle_mps, abs=0.051))
    assert said["NETTO_MPS"] == ("G", "", pytest.approx(circling.air.netto_mps, abs=0.051))
    assert said["PRESSURE_ALTITUDE"] == ("D", "M", pytest.approx(circling.energy.altitude_m, abs=0.051))
    assert circling.attitude is not None
    bank = math.degrees(circling.attitude.bank_rad)
    assert said["BANK"] == ("A", "D", pytest.approx(bank, abs=0.051))


def test_unknown_values_are_not_sent(circling: Reading) -> None:
    energy = replace(circling.energy, ias_mps=None, tas_mps=None, compensated=False)
    blind = replace(
        circling,
        position=None,
        ground_velocity=None,
        wind=None,
        energy=energy,
        attitude=None,
        turning=replace(circling.turning, from_north=False),
    )
    found = of(blind)
    assert set(found) == {"XDR"}
    said = transducers(found["XDR"])
    assert "CLIMB_MPS" in said  # uncompensated: pulling up reads as lift, and it is not called vario
    assert not {"VARIO_MPS", "IAS_MPS", "BANK"} & set(said)


def test_the_goal_is_sent_as_a_standard_sentence_and_its_arrival_as_transducers(circling: Reading) -> None:
    """Fields of BWC as `pynmeagps` reads them; 1 nautical mile is 1852 m."""
    glide = FinalGlide(
        math.radians(75.0),
        18_520.0,
        20.0,
        33.0,
        -123.4,
        sigma_m=12.3,
        required_maccready_mps=0.6,
        latitude_deg=50.5,
        longitude_deg=-10.25,
    )
    found = of(replace(circling, glide=glide))
    (bwc,) = found["BWC"]
    assert (bwc.fixLat if hasattr(bwc, "fixLat") else bwc.lat) == pytest.approx(50.5)
    assert "10.00,N,GOAL,A" in next(s for s in sentences(replace(circling, glide=glide)) if "BWC" in s)
    said = transducers(found["XDR"])
    assert said["GOAL_ABOVE_RESERVE"] == ("D", "M", -123.4)
    assert said["GOAL_SIGMA"] == ("D", "M", 12.3)
    assert said["GOAL_MACCREADY_MPS"] == ("G", "", 0.6)


def test_track_and_speed_over_ground(circling: Reading) -> None:
    """A track of 120 degrees at 54 km/h, which is 29.2 kt (1852 m in an hour)."""
    to = math.radians(120.0)
    velocity = GnssVel(0.0, 15.0 * math.cos(to), 15.0 * math.sin(to), None)
    (vtg,) = of(replace(circling, ground_velocity=velocity))["VTG"]
    assert (vtg.cogt, vtg.sogk, vtg.sogn) == (120.0, 54.0, 29.2)
    (standing,) = of(replace(circling, ground_velocity=GnssVel(0.0, 0.3, 0.2, None)))["VTG"]
    assert standing.cogt in ("", None)
    assert standing.sogk == pytest.approx(1.3, abs=0.05)


@pytest.mark.parametrize("step", [290, pytest.param(29, marks=pytest.mark.long)])
def test_a_second_general_parser_reads_the_same(step: int) -> None:
    """Fields of pynmea2 and pynmeagps, from every kind of sentence."""
    goal = FinalGlide(1.0, 18_520.0, 20.0, 33.0, -123.4, latitude_deg=50.5, longitude_deg=-10.25)
    kinds = set()
    for reading in demo().readings[::step]:
        for text in sentences(replace(reading, glide=goal, qnh_altitude_m=321.04), START):
            other, one = pynmea2.parse(text, check=True), parsed(text)
            assert (other.talker, other.sentence_type, list(other.data)) == (
                one.talker,
                one.msgID,
                list(one.payload),
            )
            kinds.add(one.msgID)
            if one.msgID == "GLL":
                assert other.latitude == pytest.approx(one.lat, abs=1e-6)
            elif one.msgID == "BWC":
                assert float(other.lat_next) == pytest.approx(5030.0, abs=1e-3)
            elif one.msgID == "MWD":
                assert float(other.wind_speed_knots) == one.speedN
            elif one.msgID == "VTG":
                assert float(other.spd_over_grnd_kmph) == one.sogk
            elif one.msgID == "HDT":
                assert float(other.heading) == one.headingT
            elif one.msgID == "XDR":
                named = {other.get_transducer(k).id for k in range(other.num_transducers)}
                assert named <= {name for name, *_ in TRANSDUCERS} | {"CLIMB_MPS"}
    assert kinds == {"GLL", "VTG", "HDT", "MWD", "MWV", "BWC", "XDR"}


def test_the_page_of_the_sentences_names_each_with_type_and_unit() -> None:
    page = (Path(__file__).parents[2] / "docs/sentences.md").read_text(encoding="utf-8")
    rows = [[cell.strip(" `") for cell in line.split("|")[1:-1]] for line in page.splitlines() if "|" in line]
    told = {row[0]: (row[1], row[2]) for row in rows if len(row) == 5 and row[1] in ("G", "D", "A")}
    sent = {name: (kind, unit) for name, kind, unit, _ in TRANSDUCERS}
    assert told == sent | {"CLIMB_MPS": ("G", "")}


@pytest.mark.parametrize(("lat_deg", "lon_deg"), [(0.0, -0.00001), (-89.99999999, 179.99999999), (7.0, -8.5)])
def test_places_all_over_the_earth(circling: Reading, lat_deg: float, lon_deg: float) -> None:
    assert circling.position is not None
    position = replace(circling.position, lat_deg=lat_deg, lon_deg=lon_deg)
    (gll,) = of(replace(circling, position=position))["GLL"]
    assert gll.lat == pytest.approx(lat_deg, abs=1e-6)
    assert gll.lon == pytest.approx(lon_deg, abs=2e-6)


class Kept:
    """A sink that stores its sentences."""

    def __init__(self) -> None:
        self.sets: list[bytes] = []
        self.closed = False

    def write(self, data: bytes) -> None:
        self.sets.append(data)

    def close(self) -> None:
        self.closed = True


def test_the_rate_is_kept() -> None:
    kept = Kept()
    output = NmeaOutput(kept, 2.0, lambda: START)
    readings = [r for r in demo().readings if 100.0 <= r.t_s < 160.0]
    for reading in readings:
        output.update(reading)
    output.close()
    assert len(kept.sets) == pytest.approx(120, abs=2)
    assert kept.closed


def test_output_is_off_unless_an_address_is_set() -> None:
    assert Settings().nmea.to is None
    assert parse_settings('[nmea]\nto = "tcp:127.0.0.1:10110"\n', "x").settings.nmea.to
    with pytest.raises(SettingsError, match="expected tcp:ADDRESS:PORT"):
        parse_settings('[nmea]\nto = "somewhere"\n', "x")


def test_a_replay_takes_as_long_as_the_flight() -> None:
    """With a clock of the test: requested waiting time against flight time."""
    readings = demo().readings[1000:1301]
    clock = [0.0]

    def wait(seconds: float) -> None:
        clock[0] += seconds

    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as receiver:
        receiver.bind(("127.0.0.1", 0))
        address = f"udp:127.0.0.1:{receiver.getsockname()[1]}"
        play_nmea(readings, START, address, 1.0, 2.0, now=lambda: clock[0], wait=wait)
    assert clock[0] == pytest.approx((readings[-1].t_s - readings[0].t_s) / 2.0, abs=0.01)


def test_in_flight_sentences_go_out_as_the_settings_say() -> None:
    source = open_source(BUNDLED)
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as receiver:
        receiver.bind(("127.0.0.1", 0))
        receiver.settimeout(5.0)
        to = f"udp:127.0.0.1:{receiver.getsockname()[1]}"
        text = f'[nmea]\nto = "{to}"\nrate = "2 Hz"\n'
        options = RunOptions(silent=True, emulate=source, longest_s=4.0)
        run(parse_settings(text, "x"), options, lambda _: None)
        kinds = {parsed(line + "\r\n").msgID for line in receiver.recv(4096).decode("ascii").splitlines()}
    assert "XDR" in kinds
