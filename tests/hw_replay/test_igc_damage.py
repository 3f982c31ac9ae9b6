"""FAI/IGC files: damaged lines, general readers, sparse files and engines."""

import math
from datetime import UTC, datetime
from pathlib import Path

import aerofiles.igc
import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from drivers import isa
from drivers.samples import CHANNEL_OF, CHANNELS, Baro, GnssPos, Oat, Pitot, Reference
from hw_replay.igc import IgcFile
from hw_replay.open import convert, open_source
from tests.support.examples import drawn
from tests.support.igc_lines import HEADERS, SPEC_EXTENSIONS, SPEC_FIX, fix, igc, placed
from tests.support.samples_of import of
from vario.app.replay.session import ReplaySession
from vario.settings.schema import Settings


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


def _flown(path: Path, step_s: int, rests_s: int) -> IgcFile:
    """4 min at rest, 2 min straight with a climb, ten circles of 20 s, 2.5 min straight, 4 min at rest."""
    lines, t_s, north_m, east_m, height_m = [], 36_000, 0.0, 0.0, 500.0
    heading = 0.0
    climb = [(120, 28, 2, 0.0), (200, 28, 2, math.tau / 20.0)]
    rest = (240, 0, 0, 0.0)
    for length_s, speed_mps, climb_mps, rate_radps in [rest, *climb, (150, 28, -3, 0.0), rest]:
        for second in range(length_s):
            if second % (step_s if speed_mps else rests_s) == 0:
                lines.append(placed(t_s + second, north_m, east_m, height_m))
            heading += rate_radps
            north_m += speed_mps * math.cos(heading)
            east_m += speed_mps * math.sin(heading)
            height_m += climb_mps
        t_s += length_s
    return igc(path, lines)


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
    session = ReplaySession(source, Settings(), None)
    for _ in session:
        pass
    flight = session.summary()["flight"]
    assert flight["takeoff_s"] == pytest.approx(36_240, abs=20)
    assert flight["landing_s"] == pytest.approx(36_000 + 240 + 120 + 200 + 150, abs=50)
    assert flight["begin_utc"] == "2010-07-16T10:00:00+00:00"
    assert flight["takeoff_utc"].startswith("2010-07-16T10:04:")
    (climb,) = session.climbs
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
