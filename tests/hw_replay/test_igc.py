"""FAI/IGC files.

Source of the record forms, examples and codes: FAI/IGC "Technical Specification for IGC-approved GNSS
Flight Recorders", edition of January 2026 with amendment 10, appendix A: A3.4 and A3.5 (I and J records),
A4.1 (B record), A7 (three-letter codes), A9 (sample file). A sample that is not in it is marked.
`aerofiles` is a general reader of such files.
"""

import math
from dataclasses import astuple
from datetime import UTC, datetime
from pathlib import Path

import pytest
from ambiance import Atmosphere

from drivers import isa
from drivers.samples import Baro, GnssPos, GnssVel, LoadFactor, Oat, Pitot, Reference
from hw_replay.igc_records import parse_extensions, parse_fix
from hw_replay.messages import RejectedValueError
from tests.support.igc_lines import SPEC_EXTENSIONS, SPEC_FIX, fix, igc
from tests.support.samples_of import of


def test_the_sample_fix_of_the_specification(tmp_path: Path) -> None:
    samples = list(igc(tmp_path / "a.igc", [SPEC_EXTENSIONS, SPEC_FIX]))
    time = 16 * 3600 + 2 * 60 + 45
    (position,) = of(GnssPos, samples)
    assert position.t_s == time
    assert position.lat_deg == pytest.approx(51 + 7.126 / 60, abs=1e-9)
    assert position.lon_deg == pytest.approx(-(1 + 49.300 / 60), abs=1e-9)
    assert position.altitude_m == 429.0
    (baro,) = of(Baro, samples)
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
    four = parse_extensions("I043638FXA3940SIU4143ENL4446MOP", 35)  # A3.4 of amendment 8 (from memory)
    assert [(e.code, e.start + 1, e.stop) for e in four.values()] == [
        ("FXA", 36, 38),
        ("SIU", 39, 40),
        ("ENL", 41, 43),
        ("MOP", 44, 46),
    ]
    assert four["MOP"].integer(SPEC_FIX) is None  # the line ends before it
    heading = parse_extensions("J010810HDT", 7)  # A9 of an older edition, with its K record, from memory
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
    assert velocity.t_s == 11.0
    assert velocity.north_mps == 0.0
    assert velocity.east_mps == pytest.approx(degree_m * 0.040 / 60 / 2, rel=1e-9)
    assert degree_m == pytest.approx(76_056, abs=1)
    assert velocity.down_mps is None
    assert source.info.sensors["gnss_vel"].name == "derived from consecutive positions"


def test_velocity_across_the_date_line(tmp_path: Path) -> None:
    lines = ["B1000000000000N17959990EA0050000000", "B1000010000000N17959990WA0050000000"]
    (velocity,) = of(GnssVel, list(igc(tmp_path / "a.igc", lines)))
    # 0.02 minutes at the equator: 6 378 137 m * 0.02/60 degrees
    assert velocity.east_mps == pytest.approx(6_378_137 * math.radians(0.02 / 60), rel=1e-9)


def test_ground_speed_and_track_are_used_where_both_are_declared(tmp_path: Path) -> None:
    lines = ["I023638GSP3941TRT", fix(1, more="108090"), fix(2, more="108180"), fix(3, more="999090")]
    source = igc(tmp_path / "a.igc", lines)
    east, south = of(GnssVel, list(source))
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
    assert pitot.impact_pa == pytest.approx(405.829, abs=0.1)


def test_indicated_airspeed_serves_where_there_is_no_true_one(tmp_path: Path) -> None:
    # 90 km/h calibrated: 383.329 Pa (isentropic pitot relation)
    (pitot,) = of(Pitot, list(igc(tmp_path / "a.igc", ["I013638IAS", fix(7, more="090")])))
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
