"""FAI/IGC files.

Source of the record forms, examples and codes: FAI/IGC "Technical Specification for IGC-approved GNSS
Flight Recorders", second edition with amendment 8, appendix A: A3.3 (I record), A4.1 (B record),
A7 (three-letter codes), A9.2 (sample file). `aerofiles` is a general reader of such files.
"""

import math
from dataclasses import astuple
from datetime import UTC, datetime
from pathlib import Path

import aerofiles.igc
import pytest
from ambiance import Atmosphere
from hypothesis import example, given, settings
from hypothesis import strategies as st

from drivers import isa
from drivers.samples import (
    CHANNEL_OF,
    CHANNELS,
    Baro,
    GnssPos,
    GnssVel,
    LoadFactor,
    Oat,
    Pitot,
    Reference,
    Sample,
)
from hw_replay.igc import IgcFile
from hw_replay.igc_records import parse_extensions, parse_fix
from hw_replay.messages import RejectedValueError
from hw_replay.open import convert, open_source
from tests.support.examples import drawn
from vario.app.replay.session import ReplaySession
from vario.settings.schema import Settings

SPEC_FIX = "B1602455107126N00149300WA002880042905009970"  # A9.2
SPEC_EXTENSIONS = "I033638FXA3940SIU4143ENL"
HEADERS = ["AXXXABC", "HFDTE160710", "HFGTYGLIDERTYPE:Invented 15", "HFALGALTGPS:GEO"]


def fix(
    second: int,
    *,
    east_min: int = 0,
    pressure: str = "00500",
    gnss: int = 520,
    valid: str = "A",
    more: str = "",
) -> str:
    """A B record at 47° N, `east_min` thousandths of a minute east of 9° E."""
    hour, rest = divmod(second % 86_400, 3600)
    time = f"{hour:02d}{rest // 60:02d}{rest % 60:02d}"
    return f"B{time}4700000N00900{east_min:03d}E{valid}{pressure}{gnss:05d}{more}"


def igc(path: Path, lines: list[str], headers: list[str] = HEADERS, end: str = "\r\n") -> IgcFile:
    path.write_bytes(end.join([*headers, *lines, ""]).encode("latin-1"))
    source = open_source(path)
    assert isinstance(source, IgcFile)
    return source


def of(kind: type[Sample], samples: list[Sample]) -> list[Sample]:
    return [sample for sample in samples if type(sample) is kind]


def test_the_sample_fix_of_the_specification(tmp_path: Path) -> None:
    samples = list(igc(tmp_path / "a.igc", [SPEC_EXTENSIONS, SPEC_FIX]))
    time = 16 * 3600 + 2 * 60 + 45
    (position,) = of(GnssPos, samples)
    assert isinstance(position, GnssPos)
    assert position.t_s == time
    assert position.lat_deg == pytest.approx(51 + 7.126 / 60, abs=1e-9)
    assert position.lon_deg == pytest.approx(-(1 + 49.300 / 60), abs=1e-9)
    assert position.altitude_m == 429.0
    (baro,) = of(Baro, samples)
    assert isinstance(baro, Baro)
    # The pressure altitude is that of the standard atmosphere (4.4.5); oracle: the library `ambiance`,
    # which takes geometric heights: z = r H / (r - H), r = 6 356 766 m.
    geometric_m = 6_356_766 * 288 / (6_356_766 - 288)
    assert baro.static_pa == pytest.approx(Atmosphere(geometric_m).pressure[0], rel=1e-6)


def test_the_sample_extensions_of_the_specification() -> None:
    extensions = parse_extensions(SPEC_EXTENSIONS, 35)
    assert {code: extension.integer(SPEC_FIX) for code, extension in extensions.items()} == {
        "FXA": 50,
        "SIU": 9,
        "ENL": 970,
    }
    four = parse_extensions("I043638FXA3940SIU4143ENL4446MOP", 35)  # A3.3
    assert [(e.code, e.start + 1, e.stop) for e in four.values()] == [
        ("FXA", 36, 38),
        ("SIU", 39, 40),
        ("ENL", 41, 43),
        ("MOP", 44, 46),
    ]
    assert four["MOP"].integer(SPEC_FIX) is None  # the line ends before it
    heading = parse_extensions("J010810HDT", 7)  # A9.2, with its K record
    assert heading["HDT"].integer("K160310090") == 90


@pytest.mark.parametrize(
    "line", ["I043638FXA3940SIU", "I", "Ixx", "I013638FX", "I013433FXA", "I013638FXA9", "I010810HDT"]
)
def test_a_declaration_that_contradicts_itself_is_refused(line: str) -> None:
    with pytest.raises(RejectedValueError, match="declaration of extensions is damaged"):
        parse_extensions(line, 35)


@pytest.mark.parametrize(
    ("header", "day"),
    [("HFDTE160710", 16), ("HFDTEDATE:170710,01", 17), ("HFDTEDATE: 180710", 18), ("HPDTE190710", 19)],
)
def test_the_date_in_its_old_and_new_form(tmp_path: Path, header: str, day: int) -> None:
    source = igc(tmp_path / "a.igc", [fix(0)], ["AXXX", header])
    assert source.info.start_utc == datetime(2010, 7, day, tzinfo=UTC)


def test_a_missing_or_impossible_date_is_said(tmp_path: Path) -> None:
    source = igc(tmp_path / "a.igc", [fix(0)], ["AXXX", "HFDTE320710"])
    assert source.info.start_utc is None
    assert "no valid date" in source.warnings()[0]


def test_title_and_origin(tmp_path: Path) -> None:
    info = igc(tmp_path / "a.igc", [fix(0)]).info
    assert info.title == "Invented 15 2010-07-16"
    assert info.origin == "imported from FAI/IGC"
    assert igc(tmp_path / "b.igc", [fix(0)], ["AXXX001"]).info.title == "b"


def test_times_go_on_past_midnight(tmp_path: Path) -> None:
    source = igc(tmp_path / "a.igc", [fix(second) for second in range(86_397, 86_403)])
    samples = list(source)
    assert [sample.t_s for sample in of(Baro, samples)] == [float(second) for second in range(86_397, 86_403)]
    assert source.duration_s == 5.0
    assert source.warnings() == []
    assert [sample.t_s for sample in list(source)] == [sample.t_s for sample in samples]


def test_a_fix_that_is_not_three_dimensional_gives_pressure_but_no_position_or_velocity(
    tmp_path: Path,
) -> None:
    lines = [fix(1), fix(2, valid="V"), fix(3, valid="V"), fix(4), fix(5, valid="V"), fix(9)]
    samples = list(igc(tmp_path / "a.igc", lines))
    assert [sample.t_s for sample in of(Baro, samples)] == [1, 2, 3, 4, 5, 9]
    assert [sample.t_s for sample in of(GnssPos, samples)] == [1, 4, 9]
    # Velocity is derived over at most 3 s: 1 to 4 is used, 4 to 9 is not.
    assert [sample.t_s for sample in of(GnssVel, samples)] == [2.5]


def test_a_valid_fix_at_zero_latitude_and_longitude_is_no_position(tmp_path: Path) -> None:
    source = igc(tmp_path / "a.igc", ["B1000000000000N00000000EA0050000520"])
    assert of(GnssPos, list(source)) == []
    assert source.rejected() == 1


def test_negative_pressure_altitude(tmp_path: Path) -> None:
    (baro,) = of(Baro, list(igc(tmp_path / "a.igc", [fix(1, pressure="-0500")])))
    assert isinstance(baro, Baro)
    assert baro.static_pa == pytest.approx(107_477.5, abs=0.1)  # ICAO Doc 7488: -500 m


def test_no_height_at_all_means_no_barometer(tmp_path: Path) -> None:
    source = igc(tmp_path / "a.igc", [fix(second, pressure="00000", gnss=0) for second in range(5)])
    samples = list(source)
    assert of(Baro, samples) == []
    assert len(of(GnssPos, samples)) == 5
    assert "baro" not in source.info.sensors
    assert any("no pressure sensor" in warning for warning in source.warnings())


def test_velocity_from_positions_is_metres_over_seconds_and_lies_half_way(tmp_path: Path) -> None:
    # At 47° N one degree of longitude is 76 056 m on the WGS 84 ellipsoid (formula of NIMA TR8350.2):
    # cos(47°) * a / sqrt(1 - e² sin²(47°)) * π/180.
    degree_m = (
        math.cos(math.radians(47))
        * 6_378_137
        / math.sqrt(1 - 6.694379990e-3 * math.sin(math.radians(47)) ** 2)
        * math.pi
        / 180
    )
    source = igc(tmp_path / "a.igc", [fix(10, gnss=0), fix(12, east_min=40, gnss=0)])
    (velocity,) = of(GnssVel, list(source))
    assert isinstance(velocity, GnssVel)
    assert velocity.t_s == 11.0
    assert velocity.north_mps == 0.0
    assert velocity.east_mps == pytest.approx(degree_m * 0.040 / 60 / 2, rel=1e-9)
    assert degree_m == pytest.approx(76_056, abs=1)
    assert velocity.down_mps is None
    assert source.info.sensors["gnss_vel"].name == "derived from consecutive positions"


def test_velocity_across_the_date_line(tmp_path: Path) -> None:
    lines = ["B1000000000000N17959990EA0050000000", "B1000010000000N17959990WA0050000000"]
    (velocity,) = of(GnssVel, list(igc(tmp_path / "a.igc", lines)))
    assert isinstance(velocity, GnssVel)
    # 0.02 minutes at the equator: 6 378 137 m * 0.02/60 degrees
    assert velocity.east_mps == pytest.approx(6_378_137 * math.radians(0.02 / 60), rel=1e-9)


def test_ground_speed_and_track_are_used_where_both_are_declared(tmp_path: Path) -> None:
    lines = ["I023638GSP3941TRT", fix(1, more="108090"), fix(2, more="108180"), fix(3, more="999090")]
    source = igc(tmp_path / "a.igc", lines)
    east, south = of(GnssVel, list(source))
    assert isinstance(east, GnssVel)
    assert isinstance(south, GnssVel)
    assert (east.t_s, south.t_s) == (1.0, 2.0)
    assert (east.north_mps, east.east_mps) == pytest.approx((0.0, 30.0))  # 108 km/h
    assert (south.north_mps, south.east_mps) == pytest.approx((-30.0, 0.0))
    assert source.info.sensors["gnss_vel"].name == "from logged ground speed and track"


def test_airspeed_temperature_load_and_variometer(tmp_path: Path) -> None:
    lines = ["I053640TAS4144OAT4548ACZ4952VAT5356NET", fix(7, more="10800-0150123-0120034")]
    samples = list(igc(tmp_path / "a.igc", lines))
    (oat,) = of(Oat, samples)
    (baro,) = of(Baro, samples)
    (pitot,) = of(Pitot, samples)
    assert isinstance(oat, Oat)
    assert isinstance(baro, Baro)
    assert isinstance(pitot, Pitot)
    assert oat.air_k == pytest.approx(273.15 - 1.5)
    assert isa.tas_mps(pitot.impact_pa, baro.static_pa, oat.air_k) == pytest.approx(30.0)  # 108.00 km/h
    assert [astuple(sample) for sample in of(LoadFactor, samples)] == [(7.0, pytest.approx(1.23))]
    assert [astuple(sample) for sample in of(Reference, samples)] == [
        (7.0, "vat_mps", pytest.approx(-0.12)),
        (7.0, "net_mps", pytest.approx(0.34)),
    ]


def test_airspeed_without_temperature_takes_the_standard_one(tmp_path: Path) -> None:
    # Published: 50 kt calibrated at 1000 m in the standard atmosphere is 52.4827 kt true; impact pressure
    # of 50 kt is 405.829 Pa (isentropic pitot relation, US Standard Atmosphere 1976).
    digits = f"{round(52.4827 * 1.852 * 100):05d}"
    lines = ["I013640TAS", fix(7, pressure="01000", more=digits)]
    (pitot,) = of(Pitot, list(igc(tmp_path / "a.igc", lines)))
    assert isinstance(pitot, Pitot)
    assert pitot.impact_pa == pytest.approx(405.829, abs=0.1)


def test_indicated_airspeed_serves_where_there_is_no_true_one(tmp_path: Path) -> None:
    # 90 km/h calibrated: 383.329 Pa (isentropic pitot relation)
    (pitot,) = of(Pitot, list(igc(tmp_path / "a.igc", ["I013638IAS", fix(7, more="090")])))
    assert isinstance(pitot, Pitot)
    assert pitot.impact_pa == pytest.approx(383.329, abs=0.001)


@pytest.mark.parametrize(("digits", "climb_mps"), [("023", 2.3), ("-14", -1.4)])
def test_three_digit_variometer_is_tenths(tmp_path: Path, digits: str, climb_mps: float) -> None:
    # A7: metres a second and tenths, no point, "-" instead of the leading zero.
    samples = list(igc(tmp_path / "a.igc", ["I013638VAT", fix(7, more=digits)]))
    assert [astuple(sample) for sample in of(Reference, samples)] == [
        (7.0, "vat_mps", pytest.approx(climb_mps))
    ]


def test_values_in_k_records(tmp_path: Path) -> None:
    lines = [
        "J020811OAT1214VAT",
        fix(86_399),
        "K2359590150012",
        fix(86_400),
        "K000000-050-12",
        "K120000-050-12",
    ]
    source = igc(tmp_path / "a.igc", lines)
    samples = list(source)
    assert [astuple(sample) for sample in of(Oat, samples)] == [
        (86_399.0, pytest.approx(288.15)),
        (86_400.0, pytest.approx(268.15)),
    ]
    assert [sample.t_s for sample in of(Reference, samples)] == [86_399.0, 86_400.0]
    assert source.rejected() == 1
    assert any("K record" in warning and "(line 10)" in warning for warning in source.warnings())


def test_further_decimals_of_position_and_time() -> None:
    extensions = parse_extensions("I033637LAD3839LOD4041TDS", 35)
    found = parse_fix("B1602455107126N00149300WA0028800429" + "45" + "67" + "89", extensions)
    assert found.lat_deg == pytest.approx(51 + 7.12645 / 60, abs=1e-12)
    assert found.lon_deg == pytest.approx(-(1 + 49.30067 / 60), abs=1e-12)
    assert found.second_of_day == pytest.approx(57_765.89)


@pytest.mark.parametrize(
    ("extension", "digits", "warning"),
    [
        ("I013641TAS", "108000", "TAS with 6 digits"),
        ("I013640TAS", "00000", "TAS is 0 or blank throughout"),
        ("I013640TAS", "     ", "TAS is 0 or blank throughout"),
        ("I013640TAS", "99999", "TAS is 0 or blank throughout"),
        ("I013640TAS", "", "TAS is 0 or blank throughout"),
        ("I023640TAS", "10800", "I record: the declaration of extensions is damaged"),
        ("I013640TAS", "99998", "pitot: impact_pa outside"),
    ],
)
def test_a_value_that_cannot_be_understood_is_not_used_and_said(
    tmp_path: Path, extension: str, digits: str, warning: str
) -> None:
    source = igc(tmp_path / "a.igc", [extension, fix(7, more=digits)])
    samples = list(source)
    assert of(Pitot, samples) == []
    assert len(of(Baro, samples)) == 1
    assert any(warning in line for line in source.warnings())


def test_a_damaged_value_leaves_the_rest_of_its_line_in_use(tmp_path: Path) -> None:
    lines = ["I013640TAS", fix(6, more="10800"), fix(7, more="1x800"), "B0000089900000N00900000EA0050000520"]
    source = igc(tmp_path / "a.igc", lines)
    samples = list(source)
    assert [sample.t_s for sample in of(Baro, samples)] == [6.0, 7.0, 8.0]
    assert [sample.t_s for sample in of(Pitot, samples)] == [6.0]
    assert [sample.t_s for sample in of(GnssPos, samples)] == [6.0, 7.0]
    assert source.rejected() == 2
    assert source.warnings() == [
        "1 line rejected: TAS is not a number; the rest of the line was used (line 7)",
        "1 line rejected: gnss_pos: lat_deg outside -90 to 90 degrees (line 8)",
    ]


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        ("B10000x4700000N00900000EA0050000520", "not a fix record"),
        ("B2500004700000N00900000EA0050000520", "not a fix record"),
        ("B1000004760000N00900000EA0050000520", "not a fix record"),
        ("B1000004700000N00900000EX0050000520", "not a fix record"),
        ("B100000", "not a fix record"),
        (fix(36_000), "second fix for the same time"),
        (fix(35_990), "time runs backwards"),
        ("Z" * 40, "no record of the standard"),
        ("\0\1\2\x80\xff", "no record of the standard"),
        ("L" * 1200, "line longer than 1000 characters"),
    ],
)
def test_a_bad_line_is_counted_with_its_number(tmp_path: Path, line: str, reason: str) -> None:
    source = igc(tmp_path / "a.igc", [fix(35_998), fix(35_999), fix(36_000), line, fix(36_001)])
    samples = [sample for sample in source if sample.t_s != 36_000.0 or not isinstance(sample, Baro)]
    assert [sample.t_s for sample in of(Baro, samples) if sample.t_s > 35_999] == [36_001.0]
    assert source.rejected() == 1
    assert any(reason in warning and "(line 8)" in warning for warning in source.warnings())


@pytest.mark.parametrize("wrong", [86_399, 50_000, 10])
@pytest.mark.parametrize("place", [0, 5, 9])
def test_one_damaged_time_does_not_move_the_rest_of_the_flight(
    tmp_path: Path, wrong: int, place: int
) -> None:
    times = list(range(30_000, 30_010))
    lines = [fix(second) for second in times]
    lines[place] = fix(wrong)
    del times[place]
    source = igc(tmp_path / "a.igc", lines)
    assert [sample.t_s for sample in of(Baro, list(source))] == times
    assert source.rejected() == 1
    assert source.duration_s == times[-1] - times[0]


def test_a_long_gap_in_the_recording_is_kept(tmp_path: Path) -> None:
    times = [30_000, 30_001, 40_000, 40_001]
    source = igc(tmp_path / "a.igc", [fix(second) for second in times])
    assert [sample.t_s for sample in of(Baro, list(source))] == times
    assert source.warnings() == []


def test_gnss_heights_of_unknown_datum_are_said(tmp_path: Path) -> None:
    source = igc(tmp_path / "a.igc", [fix(1)], HEADERS[:3])
    (warning,) = source.warnings()
    assert "WGS 84 ellipsoid" in warning


def test_a_file_without_fixes_says_so(tmp_path: Path) -> None:
    source = igc(tmp_path / "a.igc", [])
    assert list(source) == []
    assert source.duration_s is None
    assert "no fix" in source.warnings()[0]


flights = st.lists(
    st.tuples(
        st.integers(1, 20),  # seconds since the last fix
        st.integers(-89_999, 89_999),  # thousandths of degrees
        st.integers(-179_999, 179_999),
        st.integers(-500, 9_000),
        st.integers(-500, 9_000),
        st.booleans(),
    ),
    min_size=1,
    max_size=20,
)


@settings(max_examples=drawn(60))
@given(start=st.integers(0, 86_399), steps=flights)
@example(  # the velocity between the second and the last fix belongs before the void one
    start=0,
    steps=[
        (1, 0, 0, 1, 0, False),
        (1, 0, 1, 0, 0, True),
        (2, 0, 0, 0, 0, False),
        (1, 0, 1, 0, 0, True),
    ],
)
def test_fixes_agree_with_a_general_reader(
    tmp_path_factory: pytest.TempPathFactory, start: int, steps: list[tuple[int, int, int, int, int, bool]]
) -> None:
    lines, second = [], start
    for step, lat, lon, pressure_m, gnss_m, valid in steps:
        second += step
        clock = second % 86_400
        lines.append(
            f"B{clock // 3600:02d}{clock // 60 % 60:02d}{clock % 60:02d}"
            f"{abs(lat) // 1000:02d}{abs(lat) % 1000 * 60:05d}{'N' if lat >= 0 else 'S'}"
            f"{abs(lon) // 1000:03d}{abs(lon) % 1000 * 60:05d}{'E' if lon >= 0 else 'W'}"
            f"{'A' if valid else 'V'}{pressure_m:05d}{gnss_m:05d}"
        )
    path = tmp_path_factory.mktemp("igc") / "a.igc"
    samples = list(igc(path, ["I013638FXA", *(line + "010" for line in lines)]))
    with path.open(newline="") as file:
        (_, fixes) = aerofiles.igc.Reader().read(file)["fix_records"]
    midnight = datetime(2010, 7, 16, tzinfo=UTC).timestamp()
    positions = of(GnssPos, samples)
    valid_fixes = [f for f in fixes if f["validity"] == "A" and (f["lat"], f["lon"]) != (0.0, 0.0)]
    assert len(positions) == len(valid_fixes)
    for sample, expected in zip(positions, valid_fixes, strict=True):
        assert isinstance(sample, GnssPos)
        assert sample.t_s == expected["datetime"].timestamp() - midnight
        assert sample.lat_deg == pytest.approx(expected["lat"], abs=1e-9)
        assert sample.lon_deg == pytest.approx(expected["lon"], abs=1e-9)
        assert sample.altitude_m == expected["gps_alt"]
    if any(pressure_m for _, _, _, pressure_m, _, _ in steps):
        heights = [isa.altitude_m(sample.static_pa) for sample in samples if isinstance(sample, Baro)]
        assert heights == pytest.approx([f["pressure_alt"] for f in fixes], abs=1e-6)
    times = [sample.t_s for sample in samples]
    assert times == sorted(times)


records = st.one_of(
    st.text(max_size=60),
    st.sampled_from([SPEC_FIX, SPEC_EXTENSIONS, "J010810OAT", "K160310090", *HEADERS]),
    st.builds("B{}".format, st.from_regex(r"[0-9]{13}[NS][0-9]{8}[EW][AV][-0-9]{10,20}", fullmatch=True)),
    st.builds(
        "I{}".format, st.from_regex(r"[0-9]{2}([0-9]{4}(TAS|OAT|TDS|LAD|GSP|TRT)){0,4}", fullmatch=True)
    ),
)


@settings(max_examples=drawn(300))
@given(lines=st.lists(records, max_size=12))
def test_any_lines_give_samples_within_limits_in_order_of_time(
    tmp_path_factory: pytest.TempPathFactory, lines: list[str]
) -> None:
    path = tmp_path_factory.mktemp("fuzz") / "a.igc"
    path.write_text("\n".join(lines), encoding="utf-8", errors="replace")
    source = IgcFile(path)
    samples = list(source)
    times = [sample.t_s for sample in samples if not isinstance(sample, Reference | Oat)]
    assert times == sorted(times)
    for sample in samples:
        if not isinstance(sample, Reference):
            channel = CHANNELS[CHANNEL_OF[type(sample)]]
            for name in channel.value_fields:
                value, (low, high) = getattr(sample, name), channel.limits[name]
                assert (value is None and name in channel.optional) or low <= value <= high
    assert all(isinstance(warning, str) for warning in source.warnings())


def test_a_byte_order_mark_before_the_first_record_is_no_part_of_it(tmp_path: Path) -> None:
    igc(tmp_path / "a.igc", ["I013638VAT", fix(7, more="023")])
    path = tmp_path / "a.igc"
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    source = open_source(path)
    assert of(Reference, list(source))
    assert source.rejected() == 0


def test_a_declaration_damaged_a_thousand_times_is_told_once(tmp_path: Path) -> None:
    source = igc(tmp_path / "a.igc", [*["I99"] * 1000, fix(7), fix(8)])
    list(source)
    assert sum("declaration of extensions" in warning for warning in source.warnings()) == 1


def _flown(path: Path, step_s: int, rests_s: int, circle_s: float = 20.0) -> IgcFile:
    """At rest for 4 min, 2 min straight ahead with a climb, ten circles, 2 min straight, 4 min at rest."""
    lines, t_s, north_m, east_m, height_m = [], 36_000, 0.0, 0.0, 500.0
    heading = 0.0
    parts = [(240, 0, 0, 0.0), (120, 28, 2, 0.0), (int(10 * circle_s), 28, 2, math.tau / circle_s)]
    for length_s, speed_mps, climb_mps, rate_radps in [*parts, (150, 28, -3, 0.0), (240, 0, 0, 0.0)]:
        for second in range(length_s):
            if second % (step_s if speed_mps else rests_s) == 0:
                lines.append(_placed(t_s + second, north_m, east_m, height_m))
            heading += rate_radps
            north_m += speed_mps * math.cos(heading)
            east_m += speed_mps * math.sin(heading)
            height_m += climb_mps
        t_s += length_s
    return igc(path, lines)


def _placed(second: int, north_m: float, east_m: float, height_m: float) -> str:
    """A B record north and east of 47° N 9° E, on a sphere of 1855 m a minute."""
    north = round(north_m / 1.855)
    east = round(east_m / 1.855 / math.cos(math.radians(47.0)))
    hour, rest = divmod(second, 3600)
    ns, ew = 47 * 60_000 + north, 9 * 60_000 + east
    return (
        f"B{hour:02d}{rest // 60:02d}{rest % 60:02d}{ns // 60_000:02d}{ns % 60_000:05d}N"
        f"{ew // 60_000:03d}{ew % 60_000:05d}EA{height_m:05.0f}{height_m:05.0f}"
    )


@pytest.mark.parametrize(
    ("step_s", "rests_s"),
    [
        (4, 8),
        *(pytest.param(*one, marks=pytest.mark.long) for one in ((1, 1), (2, 8), (4, 4), (5, 5), (5, 10))),
    ],
)
def test_a_sparse_file_flies_as_a_dense_one(tmp_path: Path, step_s: int, rests_s: int) -> None:
    """Circles of 20 s with four points each are still circles; a rest of 8 s a fix is not a gap."""
    source = _flown(tmp_path / "a.igc", step_s, rests_s)
    passage = ReplaySession(source, Settings(), None)
    for _ in passage:
        pass
    flight = passage.summary()["flight"]
    assert flight["takeoff_s"] == pytest.approx(36_240, abs=20)
    assert flight["landing_s"] == pytest.approx(36_000 + 240 + 120 + 200 + 150, abs=50)
    assert flight["begin_utc"] == "2010-07-16T10:00:00+00:00"
    assert flight["takeoff_utc"].startswith("2010-07-16T10:04:")
    (climb,) = passage.climbs
    assert climb.turns == pytest.approx(10.0, abs=0.8)
    assert climb.average_mps == pytest.approx(2.0, abs=0.15)
    assert climb.direction == "right"
    assert flight["mode_s"]["circling"] == pytest.approx(200.0, abs=25.0)


def test_the_step_of_a_file_is_kept_in_a_recording(tmp_path: Path) -> None:
    source = _flown(tmp_path / "a.igc", 4, 8)
    assert source.info.longest_step_s == 8.0
    convert(source, tmp_path / "a.mcap")
    assert open_source(tmp_path / "a.mcap").info.longest_step_s == 8.0


def test_steps_too_long_for_turns_are_told(tmp_path: Path) -> None:
    source = _flown(tmp_path / "a.igc", 15, 15)
    assert any("a fix only every 15 s" in note for note in source.warnings())


@pytest.mark.parametrize("code", ["ENL", "MOP"])
def test_a_running_engine_is_told(tmp_path: Path, code: str) -> None:
    """ENL and MOP reach from 000 to 999 (A7)."""

    def told(noise: list[int]) -> list[str]:
        lines = [fix(second, more=f"{value:03d}") for second, value in enumerate(noise)]
        source = igc(tmp_path / "a.igc", [f"I013638{code}", *lines])
        return [note for note in source.warnings() if "engine" in note]

    assert told([150] * 60 + [999] * 61 + [80] * 60)[0].startswith(
        "the engine noise (ENL or MOP) is high for 1.0 min in 1 stretches"
    )
    assert told([150] * 60 + [700] * 10 + [300] * 60) == []  # a wheel on the ground
