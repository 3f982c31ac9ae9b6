"""The arithmetic of the drivers against worked examples of the manufacturers; each check states its
source.
"""

import math
import struct
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers import imu
from drivers.chip import signed
from drivers.chips import (
    bmp3xx,
    bmp280,
    bmp581,
    dps310,
    icm20948,
    ina219,
    lps22hb,
    lsm6dso,
    mpu6xxx,
    ms56xx,
    ms4525do,
    sdp3x,
    tmp117,
)
from drivers.errors import BadCalibrationError, BadChecksumError
from drivers.imu import Imu
from drivers.registry import CHIPS
from drivers.samples import CHANNELS
from tests.documents.sensors import page

# MS5611-01BA03 and MS5607-02BA03 datasheets, "Pressure and temperature calculation", p. 8 each.
MS5611_PROM = (0, 40127, 36924, 23317, 23282, 33464, 28312, 0)
MS5607_PROM = (0, 46372, 43981, 29059, 27842, 31553, 28165, 0)


def test_ms5611_as_in_its_datasheet():
    # The printed example: 20.07 °C, 1000.09 mbar, with its intermediate values.
    got = ms56xx.compensate(ms56xx.SHIFTS["MS5611"], MS5611_PROM, 9085466, 8569150)
    assert (got.d_t, got.temp_cdegc, got.off, got.sens) == (2366, 2007, 2420281617, 1315097036)
    assert math.floor(got.pressure_pa) == 100009


@pytest.mark.parametrize(
    ("d2", "temp", "pressure", "off2", "sens2"),
    [(8069150, 205, 96512, 7_056_000, 3_528_000), (7369150, -2710, 90613, 42_928_565, 22_053_980)],
)
def test_ms5611_second_order_below_20_and_below_minus_15_degrees(d2, temp, pressure, off2, sens2):
    # Results and corrections of a public flight controller's unit test, after the datasheet's figure 3.
    got = ms56xx.compensate(ms56xx.SHIFTS["MS5611"], MS5611_PROM, 9085466, d2)
    assert (got.temp_cdegc, math.floor(got.pressure_pa)) == (temp, pressure)
    assert got.off == (36924 << 16) + (23282 * got.d_t >> 7) - off2
    assert got.sens == (40127 << 15) + (23317 * got.d_t >> 8) - sens2


@pytest.mark.parametrize(
    ("d2", "temp", "pressure"),
    [
        (8077636, 2000, 110002),  # the datasheet's example: 20.00 °C, 1100.02 mbar
        # Computed from the datasheet's second-order formulas, no printed example.
        (7900000, 1389, 108541),
        (7500000, -95, 105063),
        (7000000, -2158, 100347),
    ],
)
def test_ms5607_as_in_its_datasheet(d2, temp, pressure):
    got = ms56xx.compensate(ms56xx.SHIFTS["MS5607"], MS5607_PROM, 6465444, d2)
    assert (got.temp_cdegc, math.floor(got.pressure_pa)) == (temp, pressure)
    if d2 == 8077636:
        assert (got.d_t, got.off, got.sens) == (68, 5764707214, 3039050829)


def test_ms5611_taken_for_an_ms5607_reads_about_half_or_double():
    wrong = ms56xx.compensate(ms56xx.SHIFTS["MS5607"], MS5611_PROM, 9085466, 8569150).pressure_pa
    assert wrong / 100009 == pytest.approx(2.0, abs=0.1)
    wrong = ms56xx.compensate(ms56xx.SHIFTS["MS5611"], MS5607_PROM, 6465444, 8077636).pressure_pa
    assert wrong / 110002 == pytest.approx(0.5, abs=0.1)


def test_prom_checksum_as_in_the_application_note():
    # Measurement Specialties AN520 (C code example).
    words = [0x3132, 0x3334, 0x3536, 0x3738, 0x3940, 0x4142, 0x4344, 0x4500]
    assert ms56xx.crc4(words) == 0xB
    assert ms56xx.crc4([*words[:7], 0x450B]) == 0xB


@given(st.lists(st.integers(0, 0xFFFF), min_size=8, max_size=8), st.integers(0, 111))
def test_prom_checksum_finds_every_single_wrong_bit(words, bit):
    # A cyclic code with more than one term finds all single errors (outside its own byte).
    changed = list(words)
    changed[bit // 16] ^= 1 << bit % 16
    assert ms56xx.crc4(changed) != ms56xx.crc4(words)


# BST-BMP280-DS001, section 3.12.
BMP280_TRIM = bmp280.Trim((27504, 26435, -1000), (36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000))


def test_bmp280_as_in_its_datasheet():
    celsius, t_fine = bmp280.compensate_temperature(BMP280_TRIM, 519888)
    assert round(celsius, 2) == 25.08
    assert int(t_fine) == 128422
    assert bmp280.compensate_pressure(BMP280_TRIM, 415148, t_fine) == pytest.approx(100653.27, abs=0.05)


def test_bmp280_trim_in_the_order_of_its_registers():
    raw = struct.pack("<HhhHhhhhhhhh", 27504, 26435, -1000, *BMP280_TRIM.p)
    assert bmp280.Trim.of(raw) == BMP280_TRIM
    assert raw[:4] == bytes.fromhex("706b4367")  # low byte first, T1 then T2: 27504 = 0x6B70


def test_bmp280_constants_that_divide_by_zero_are_an_error():
    with pytest.raises(BadCalibrationError):
        bmp280.compensate_pressure(bmp280.Trim((0, 0, 0), (0,) * 9), 1, 0.0)


def test_bmp388_with_the_constants_of_a_real_chip():
    # The manufacturer prints no example. Constants and a reading of one chip, with these results, are from
    # the test suite of a public library (elixir-sensors/bmp3xx).
    trim = bmp3xx.Trim.of(bytes.fromhex("236B5849F65CFFCEF42300EA636E79F3F6AA4312C4"))
    raw = bytes.fromhex("979F6D73D885")
    celsius = bmp3xx.compensate_temperature(trim, int.from_bytes(raw[3:], "little"))
    assert celsius == pytest.approx(30.499314453874284, abs=1e-9)
    pressure = bmp3xx.compensate_pressure(trim, int.from_bytes(raw[:3], "little"), celsius)
    assert pressure == pytest.approx(100876.00634692199, abs=1e-4)


def test_bmp581_scales():
    # BST-BMP581-DS004: temperature 2^-16 °C, pressure 2^-6 Pa, low byte first.
    assert bmp581.temperature_c(bytes([0x00, 0x80, 0x19])) == 25.5
    assert bmp581.temperature_c(bytes([0x00, 0x00, 0xF6])) == -10.0
    assert bmp581.pressure_pa((101325 * 64).to_bytes(3, "little")) == 101325.0


def test_dps310_temperature_of_a_published_report():
    # A report to the maker's own driver: c0 222, c1 -297, raw 200498 at x1 gives -2.5786 °C.
    c = dps310.Coefficients(222, -297, *[0] * 7)
    assert dps310.compensate_temperature(c, 200498 / dps310.SCALE[1]) == pytest.approx(-2.5786, abs=5e-4)


def test_dps310_pressure_is_the_polynomial_of_its_datasheet():
    # Section 4.9.1, from memory: every coefficient alone, at powers of the scaled readings.
    p, t = 0.5, -0.25
    terms = {"c00": 1.0, "c10": p, "c20": p**2, "c30": p**3, "c01": t, "c11": t * p, "c21": t * p**2}
    for name, weight in terms.items():
        c = dps310.Coefficients(
            **dict.fromkeys(("c0", "c1", "c00", "c10", "c01", "c11", "c20", "c21", "c30"), 0) | {name: 8}
        )
        assert dps310.compensate_pressure(c, p, t) == pytest.approx(8 * weight)


@given(
    st.tuples(*(st.integers(-(1 << w - 1), (1 << w - 1) - 1) for w in (12, 12, 20, 20, 16, 16, 16, 16, 16)))
)
def test_dps310_coefficients_unpack_to_what_was_packed(values):
    # Table 18: widths 12, 12, 20, 20 and five times 16 bits, without gaps.
    bits = "".join(
        f"{value & (1 << width) - 1:0{width}b}"
        for value, width in zip(values, (12, 12, 20, 20, 16, 16, 16, 16, 16), strict=True)
    )
    c = dps310.Coefficients.of(int(bits, 2).to_bytes(18, "big"))
    assert (c.c0, c.c1, c.c00, c.c10, c.c01, c.c11, c.c20, c.c21, c.c30) == values


def test_lps22hb_scale():
    # DocID027083: 4096 counts a hectopascal. 0x3ED000 is 1005 hPa.
    assert lps22hb.pressure_pa(bytes([0x00, 0xD0, 0x3E])) == pytest.approx(100_500.0)


@pytest.mark.parametrize(
    ("per_g", "per_dps", "driver"),
    [
        # MPU-6000 register map 4.2 and DS-000189 table 2: ±8 g, ±500 °/s. (65.5 from memory.)
        (4096.0, 65.5, mpu6xxx.Mpu6xxx),
        (4096.0, 65.5, icm20948.Icm20948),
        # DS12140: 0.061 mg at ±2 g, four times that at ±8 g; 70 mdps at ±2000, a quarter at ±500.
        (1000 / 0.244, 1000 / 17.5, lsm6dso.Lsm6dso),
    ],
)
def test_motion_scales(per_g, per_dps, driver):
    assert driver.ACCEL_MPS2 * per_g == pytest.approx(9.80665)
    assert driver.GYRO_RADPS * per_dps == pytest.approx(math.radians(1.0))


def test_noise_behind_a_low_pass():
    # White noise behind a first-order low-pass: equivalent bandwidth is π/2 times the -3 dB one (textbook).
    assert imu.sample_sigma(1.0, 100.0) == pytest.approx(math.sqrt(157.08), rel=1e-4)


def test_ms4525do_frame_and_states():
    # MS4525DO datasheet p. 14, section 1.6.1: two bits of state, 14 of pressure, 11 of temperature.
    frame = ms4525do.RawReading.of(bytes([0x1F, 0xFF, 0x80, 0x1F]))
    assert frame == ms4525do.RawReading(ms4525do.DataStatus.NORMAL, 8191)
    assert ms4525do.RawReading.of(bytes([0x80, 0, 0, 0])).status is ms4525do.DataStatus.STALE
    assert ms4525do.RawReading.of(bytes([0xC0, 0, 0, 0])).status is ms4525do.DataStatus.FAULT  # from memory


@pytest.mark.parametrize(
    ("counts", "psi"), [(1638, -1.0), (8192, 0.0), (14745, 1.0), (0, -1.25), (16383, 1.25)]
)
def test_ms4525do_type_a(counts, psi):
    # Type A: 10 % of the count is -span, 90 % is +span (datasheet; formula from memory). 1 psi = 6894.757 Pa.
    assert ms4525do.pressure_pa(counts) / 6894.757 == pytest.approx(psi, abs=1.5e-4)


@pytest.mark.parametrize(("data", "crc"), [("beef", 0x92), ("0000", 0x81), ("00", 0xAC)])
def test_sensirion_checksum(data, crc):
    # Sensirion datasheets: CRC-8, polynomial 0x31, start 0xFF; BE EF gives 92.
    assert sdp3x.crc8(bytes.fromhex(data)) == crc


def test_sdp3x_frame():
    assert sdp3x.words(bytes.fromhex("beef92000081")) == [-16657, 0]
    with pytest.raises(BadChecksumError, match="expected 92"):
        sdp3x.words(bytes.fromhex("beef93000081"))


def test_sdp3x_reads_low_in_thin_air():
    # Calibrated at 966 mbar (SDP1000 datasheet): at 700 hPa the true difference is 1.38 times the reading.
    assert sdp3x.true_pa(100.0, 70_000.0) == pytest.approx(138.0)
    assert sdp3x.true_pa(100.0, 96_600.0) == 100.0


@pytest.mark.parametrize(
    ("code", "celsius"),
    [
        (0x8000, -256.0),
        (0xF380, -25.0),
        (0xFFFF, -0.0078125),
        (1, 0.0078125),
        (0x0C80, 25.0),
        (0x3200, 100.0),
    ],
)
def test_tmp117_codes(code, celsius):
    assert tmp117.temperature_c(code) == celsius  # TI SNOSD82D: 7.8125 m°C a count; codes from memory


def test_ina219_bus_voltage():
    assert ina219.voltage_v(0x5D98) == pytest.approx(11.98, abs=0.004)  # SBOS448, example (from memory)


@pytest.mark.parametrize(("value", "bits", "expected"), [(0x7F, 8, 127), (0x80, 8, -128), (0xFFFFFF, 24, -1)])
def test_twos_complement(value, bits, expected):
    assert signed(value, bits) == expected


def test_the_catalogue_says_of_every_chip_what_is_known():
    for spec in CHIPS.values():
        assert spec.source
        assert spec.unverified
        assert 0.0 < spec.rate_hz <= spec.max_rate_hz
        assert set(spec.noise) <= {*spec.channels, *spec.extra}
        assert spec.delay_s >= 0.0


def test_the_page_of_sensors_is_up_to_date():
    # If this fails: python -m tests.documents.sensors > docs/sensors.md
    written = Path(__file__).parents[2] / "docs" / "sensors.md"
    assert written.read_text(encoding="utf-8") == page()


@pytest.mark.parametrize("chip", Imu.__subclasses__(), ids=lambda chip: chip.__name__)
def test_no_count_of_a_motion_chip_is_beyond_the_limits_of_its_channels(chip: type[Imu]) -> None:
    """16 bits in two's complement end at -32768; the driver therefore does not compare each value."""
    (_, force), (_, rate) = CHANNELS["imu_accel"].limits["x_mps2"], CHANNELS["imu_gyro"].limits["x_radps"]
    assert 0.0 < 32768 * chip.ACCEL_MPS2 <= force
    assert 0.0 < 32768 * chip.GYRO_RADPS <= rate
