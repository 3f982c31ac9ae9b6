"""Long CSV: every row is used in order of time, or counted with its line."""

import gzip
import math
import tracemalloc
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.samples import (
    CHANNEL_OF,
    CHANNELS,
    Baro,
    GnssPos,
    GnssVel,
    ImuAccel,
    ImuGyro,
    LoadFactor,
    Oat,
    Pitot,
    Reference,
)
from hw_replay.errors import RecordingError
from hw_replay.long_csv import LongCsv
from hw_replay.open import open_source
from tests.support.examples import drawn

HEADER = "t_s,channel,v1,v2,v3"

ROWS = [
    "0.5,baro,90000.25,,",
    "0.5,pitot,412.5,,",
    "0.52,imu_accel,0.1,-0.2,-9.81",
    "0.52,imu_gyro,0.01,0.02,-0.03",
    "1,gnss_pos,47.5,-9.25,812.5",
    "1,gnss_vel,20.5,-3,0.25",
    "1.5,gnss_vel,20.5,-3,",
    "2,oat,15,,",
    "2,load_factor,1.25,,",
    "2.000000001,ref:truth_vario_mps,-1.5,,",
]

SAMPLES = [
    Baro(0.5, 90_000.25),
    Pitot(0.5, 412.5),
    ImuAccel(0.52, 0.1, -0.2, -9.81),
    ImuGyro(0.52, 0.01, 0.02, -0.03),
    GnssPos(1.0, 47.5, -9.25, 812.5),
    GnssVel(1.0, 20.5, -3.0, 0.25),
    GnssVel(1.5, 20.5, -3.0, None),
    Oat(2.0, 288.15),  # 15 degrees Celsius is 288.15 K by definition of the Celsius scale (SI brochure)
    LoadFactor(2.0, 1.25),
    Reference(2.000000001, "truth_vario_mps", -1.5),
]


def csv(path: Path, rows: list[str], header: str = HEADER, end: str = "\n") -> Path:
    path.write_bytes(end.join([header, *rows, ""]).encode())
    return path


def test_every_channel_in_its_units(tmp_path: Path) -> None:
    source = open_source(csv(tmp_path / "a.csv", ROWS))
    assert isinstance(source, LongCsv)
    assert list(source) == SAMPLES
    assert list(source) == SAMPLES  # it can be read again
    assert source.rejected() == 0
    assert source.warnings() == []
    assert source.info.title == "a"
    assert source.info.origin == "imported from long CSV"


@pytest.mark.parametrize("end", ["\n", "\r\n"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"])
@pytest.mark.parametrize("pack", [bytes, gzip.compress])
def test_line_ends_byte_order_mark_and_gzip_told_by_content(
    tmp_path: Path, end: str, mark: bytes, pack: type[bytes]
) -> None:
    path = csv(tmp_path / "misleading.name", ROWS, end=end)
    path.write_bytes(pack(mark + path.read_bytes() + end.encode()))
    source = open_source(path)
    assert list(source) == SAMPLES
    assert source.warnings() == []


def test_a_last_line_without_its_end_is_used(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_text("\n".join([HEADER, *ROWS]))
    assert list(LongCsv(path)) == SAMPLES


@pytest.mark.parametrize("run_rows", [1, 3, 4, 1000])
@pytest.mark.parametrize("seed", range(5))
def test_shuffled_rows_give_the_samples_in_order_of_time(tmp_path: Path, run_rows: int, seed: int) -> None:
    rows = [f"{tick / 50:.2f},baro,{90000 + tick}.5,," for tick in range(40)]
    rows += [f"{tick / 25:.2f},oat,{tick / 10},," for tick in range(20)]
    expected = list(LongCsv(csv(tmp_path / "a.csv", sorted(rows, key=lambda row: float(row.split(",")[0])))))
    shuffled_rows = np.random.default_rng(seed).permutation(rows).tolist()
    source = LongCsv(csv(tmp_path / "b.csv", shuffled_rows), run_rows)
    shuffled = list(source)
    assert [sample.t_s for sample in shuffled] == [sample.t_s for sample in expected]
    assert sorted(shuffled, key=lambda s: CHANNEL_OF[type(s)]) == sorted(
        expected, key=lambda s: CHANNEL_OF[type(s)]
    )
    assert source.rejected() == 0
    (warning,) = source.warnings()
    assert "of 60 rows were not in order of time" in warning


@pytest.mark.parametrize("run_rows", [7, 1000])
def test_channel_after_channel_gives_the_same_as_interleaved(tmp_path: Path, run_rows: int) -> None:
    # The row order within one instant is kept, so baro before oat at equal times in both files.
    baro = [f"{tick / 10},baro,{90000 + tick},," for tick in range(100)]
    oat = [f"{tick / 10},oat,{tick / 10},," for tick in range(100)]
    interleaved = [row for pair in zip(baro, oat, strict=True) for row in pair]
    one = list(LongCsv(csv(tmp_path / "a.csv", interleaved)))
    two = LongCsv(csv(tmp_path / "b.csv", baro + oat), run_rows)
    assert list(two) == one
    assert "99 of 200 rows" in two.warnings()[0]  # oat at 9.9 s is level with the last baro


@pytest.mark.parametrize(
    ("row", "reason"),
    [
        ("1,barro,90000,,", "unknown channel 'barro' (did you mean 'baro'?)"),
        ("1,IMU_ACCEL,0,0,0", "did you mean 'imu_accel'?"),
        ("1,q,0,0,0", "expected one of baro, pitot"),
        ("1,ref:,5,,", "unknown channel 'ref:'"),
        ("1,ref:a b,5,,", "unknown channel"),
        ("x,baro,90000,,", "t_s is not a number"),
        (",baro,90000,,", "t_s missing"),
        ("-0.001,baro,90000,,", "t_s outside 0 to 4e+09 s"),
        ("nan,baro,90000,,", "t_s outside"),
        ("inf,baro,90000,,", "t_s outside"),
        ("1e300,baro,90000,,", "t_s outside"),
        ("1,baro,,,", "baro: static_pa missing"),
        ("1,baro,abc,,", "baro: static_pa is not a number"),
        ("1,baro,90_000,,", "baro: static_pa is not a number"),
        ("1,baro,nan,,", "baro: static_pa outside"),
        ("1,baro,-inf,,", "baro: static_pa outside"),
        ("1,baro,900.0,,", "baro: static_pa outside 10000 to 120000 Pa"),
        ("1,baro,90000,5,", "baro: a value in a column it does not use"),
        ("1,baro,90000", "not 5 columns"),
        ("1,baro,90000,,,", "not 5 columns"),
        ("1;baro;90000;;", "not 5 columns"),
        ("1,imu_accel,0,0,", "imu_accel: z_mps2 missing"),
        ("1,gnss_vel,1,,0", "gnss_vel: east_mps missing"),
        ("1,gnss_vel,1,2,nan", "gnss_vel: down_mps outside"),
        ("1,gnss_pos,91,0,0", "gnss_pos: lat_deg outside"),
        ("1,oat,200,,", "oat: air_k outside"),
        ("1,ref:x,inf,,", "ref:x: value outside"),
        ("1,baro,90000,," + " " * 2000, "line longer than 1000 characters"),
        ("\0\0\0", "not 5 columns"),
        ("5,baro,90001,,", "baro: second row for the same time"),
    ],
)
def test_a_wrong_row_is_counted_with_its_line_and_never_used(tmp_path: Path, row: str, reason: str) -> None:
    source = LongCsv(csv(tmp_path / "a.csv", ["5,baro,90000,,", row, "6,baro,90000,,"]))
    assert list(source) == [Baro(5.0, 90_000.0), Baro(6.0, 90_000.0)]
    assert source.rejected() == 1
    assert any(reason in warning and "(line 3)" in warning for warning in source.warnings())


def test_many_bad_lines_are_summed_up(tmp_path: Path) -> None:
    rows = ["1,barro,5,,"] * 1000 + [f"1,c{number},5,," for number in range(1000)]
    source = LongCsv(csv(tmp_path / "a.csv", rows))
    assert list(source) == []
    assert source.rejected() == 2000
    assert len(source.warnings()) < 40
    assert "1000 lines rejected" in source.warnings()[0]
    assert "(lines 2, 3, 4, 5, 6, …)" in source.warnings()[0]


@pytest.mark.parametrize(
    "header", ["", "t_s,roll,pitch", "t_s;channel;v1;v2;v3", "t_s,channel,v1,v2", ROWS[0]]
)
def test_a_wrong_header_is_refused_with_what_was_expected(tmp_path: Path, header: str) -> None:
    with pytest.raises(RecordingError, match=r"a\.csv: the first line is .*expected the header 't_s,channel"):
        LongCsv(csv(tmp_path / "a.csv", ROWS, header))


@pytest.mark.parametrize("share", [0.3, 0.6, 0.95, 0.999])
def test_a_gzip_file_that_breaks_off_yields_its_whole_lines_and_says_so(tmp_path: Path, share: float) -> None:
    rng = np.random.default_rng(1)
    rows = [f"{tick / 50},baro,{rng.uniform(8e4, 1e5):.4f},," for tick in range(20_000)]
    expected = list(LongCsv(csv(tmp_path / "a.csv", rows)))
    packed = gzip.compress((tmp_path / "a.csv").read_bytes())
    path = tmp_path / "b.csv.gz"
    path.write_bytes(packed[: int(share * len(packed))])
    source = LongCsv(path)
    read = list(source)
    assert read == expected[: len(read)]
    assert len(read) > (share - 0.25) * len(expected)
    assert source.rejected() == 0
    assert "truncated" in source.warnings()[-1]


def test_a_gzip_file_damaged_in_the_middle_yields_what_can_be_unpacked(tmp_path: Path) -> None:
    rng = np.random.default_rng(2)
    rows = [f"{tick / 50},baro,{rng.uniform(8e4, 1e5):.4f},," for tick in range(20_000)]
    packed = bytearray(gzip.compress("\n".join([HEADER, *rows]).encode()))
    packed[len(packed) // 2 : len(packed) // 2 + 50] = bytes(50)
    path = tmp_path / "b.csv.gz"
    path.write_bytes(packed)
    source = LongCsv(path)
    assert len(list(source)) > 5_000
    assert source.warnings()


TEXT_ROWS = st.lists(
    st.one_of(
        st.sampled_from(ROWS),
        st.text(max_size=60),
        st.builds(
            "{},{},{},{},{}".format,
            *[st.one_of(st.floats(), st.integers(), st.sampled_from(["", *CHANNELS, "ref:x", "nan"]))] * 5,
        ),
    ),
    max_size=15,
)


@settings(max_examples=drawn(200))
@given(
    rows=TEXT_ROWS, encoding=st.sampled_from(["utf-8", "utf-16-le", "latin-1"]), run_rows=st.integers(1, 9)
)
def test_any_text_gives_samples_within_limits_or_counted_lines(
    tmp_path_factory: pytest.TempPathFactory, rows: list[str], encoding: str, run_rows: int
) -> None:
    path = tmp_path_factory.mktemp("fuzz") / "a.csv"
    body = "\n".join(rows).encode(encoding, "replace")
    path.write_bytes(f"{HEADER}\n".encode() + body)
    source = LongCsv(path, run_rows)
    samples = list(source)
    lines = [line for line in body.split(b"\n") if line.strip()]
    assert len(samples) + source.rejected() == len(lines)
    assert bool(source.warnings()) >= bool(source.rejected())
    times = [sample.t_s for sample in samples]
    assert times == sorted(times)
    for sample in samples:
        assert 0.0 <= sample.t_s < math.inf
        if isinstance(sample, Reference):
            assert math.isfinite(sample.value)
            continue
        channel = CHANNELS[CHANNEL_OF[type(sample)]]
        for name in channel.value_fields:
            value = getattr(sample, name)
            low, high = channel.limits[name]
            assert (value is None and name in channel.optional) or low <= value <= high


def peak_bytes(path: Path, run_rows: int) -> int:
    source = LongCsv(path, run_rows)
    tracemalloc.start()
    try:
        assert sum(1 for _ in source) > 0
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


@pytest.mark.long
def test_memory_does_not_grow_with_the_file(tmp_path: Path) -> None:
    def channel_after_channel(count: int) -> list[str]:
        half = count // 2
        rows = [f"{tick / 50},baro,90000,," for tick in range(half)]
        return rows + [f"{tick / 50},pitot,400,," for tick in range(half)]

    short = csv(tmp_path / "short.csv", channel_after_channel(12_000))
    long = csv(tmp_path / "long.csv", channel_after_channel(36_000))
    peak_bytes(short, 2000)  # memory that imports at the first use allocate once
    assert peak_bytes(long, 2000) < 1.1 * peak_bytes(short, 2000)


def test_a_line_without_end_takes_no_memory(tmp_path: Path) -> None:
    path = tmp_path / "a.csv"
    path.write_bytes(f"{HEADER}\n1,baro,90000,,\n".encode() + b"x" * 8_000_000)
    assert peak_bytes(path, 100) < 1_000_000
    source = LongCsv(path)
    assert len(list(source)) == 1
    assert "longer than 1000 characters (line 3)" in source.warnings()[0]
