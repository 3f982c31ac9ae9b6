"""BMP280 and BME280 barometers (Bosch Sensortec), in forced mode: one conversion a cycle, then asleep.

Source: BST-BMP280-DS001: register map and trimming parameters (sections 3.11, 4.3), the compensation in
double precision (appendix), its worked example (section 3.12), RMS noise with the filter off (table 8).
The BME280 has the same pressure part; its humidity is left off.
"""

from __future__ import annotations

import struct
from enum import IntEnum

from drivers.chip import Chip, ChipSpec, Identity
from drivers.errors import BadCalibrationError, NotReadyError
from drivers.quick import dataclass
from drivers.samples import Baro
from drivers.sensor import DriverCoroutine


class Reg(IntEnum):
    """Register map, section 4.2."""

    TRIM = 0x88  # 24 bytes, little endian
    ID = 0xD0
    RESET = 0xE0
    STATUS = 0xF3
    CTRL_MEAS = 0xF4
    CONFIG = 0xF5
    DATA = 0xF7  # pressure and temperature, 20 bits each, high byte first


RESET_WORD = 0xB6
IM_UPDATE, MEASURING = 0x01, 0x08  # in STATUS
FORCED = 1 << 5 | 3 << 2 | 1  # temperature x1, pressure x4, one conversion
FILTER_OFF = 0x00
SKIPPED = 0x80000  # "output when the measurement was skipped"

START_UP_S = 0.002
CONVERSION_S = 0.01333  # 1.25 + 2.3 T + (2.3 P + 0.575) ms at most, x1 and x4
TYPICAL_S = 0.0115  # 1 + 2 T + (2 P + 0.5) ms

_UNVERIFIED = "Conversion times (BME280 section 9.1), noise table 8; registers and arithmetic read"
_SOURCE = "BST-BMP280-DS001; pressure x4, temperature x1, filter off"


def _spec(name: str, identity: int) -> ChipSpec:
    return ChipSpec(
        name=name,
        kind="barometer",
        addresses=(0x76, 0x77),
        channels=("baro",),
        extra=("oat",),
        rate_hz=50.0,
        max_rate_hz=60.0,
        noise={"baro": 2.1},
        delay_s=TYPICAL_S / 2,
        source=_SOURCE,
        example="BMP280 datasheet section 3.12 (25.08 °C, 100653.27 Pa)",
        identity=Identity(Reg.ID, identity),
        unverified=_UNVERIFIED,
    )


BMP280 = _spec("BMP280", 0x58)
BME280 = _spec("BME280", 0x60)


@dataclass(frozen=True, slots=True)
class Trim:
    """Factory constants dig_T1…T3 and dig_P1…P9."""

    t: tuple[int, int, int]
    p: tuple[int, int, int, int, int, int, int, int, int]

    @classmethod
    def of(cls, raw: bytes) -> Trim:
        """From the 24 bytes at `Reg.TRIM`; the first of each kind is unsigned."""
        words = struct.unpack("<HhhHhhhhhhhh", raw)
        return cls(words[:3], words[3:])


def compensate_temperature(trim: Trim, adc_t: int) -> tuple[float, float]:
    """Degrees Celsius, and the fine temperature the pressure needs."""
    t1, t2, t3 = trim.t
    var1 = (adc_t / 16384.0 - t1 / 1024.0) * t2
    var2 = (adc_t / 131072.0 - t1 / 8192.0) ** 2 * t3
    return (var1 + var2) / 5120.0, var1 + var2


def compensate_pressure(trim: Trim, adc_p: int, t_fine: float) -> float:
    """Pascals.

    Raises:
        BadCalibrationError: if the constants lead to a division by zero.
    """
    p1, p2, p3, p4, p5, p6, p7, p8, p9 = trim.p
    var1 = t_fine / 2.0 - 64000.0
    var2 = var1 * var1 * p6 / 32768.0
    var2 = (var2 + var1 * p5 * 2.0) / 4.0 + p4 * 65536.0
    var1 = (p3 * var1 * var1 / 524288.0 + p2 * var1) / 524288.0
    var1 = (1.0 + var1 / 32768.0) * p1
    if var1 == 0.0:
        raise BadCalibrationError("the factory constants give a division by zero", "Broken chip or transfer")
    pressure = (1048576.0 - adc_p - var2 / 4096.0) * 6250.0 / var1
    var1 = p9 * pressure * pressure / 2147483648.0
    var2 = pressure * p8 / 32768.0
    return pressure + (var1 + var2 + p7) / 16.0


class Bmp280(Chip):
    """Driver of both."""

    SPECS = (BMP280, BME280)

    def setup(self, now_s: float) -> DriverCoroutine:
        """Reset, identify, read the trimming parameters."""
        self.expect_identity()
        self.put(Reg.RESET, RESET_WORD)
        yield now_s + START_UP_S
        if self.get(Reg.STATUS)[0] & IM_UPDATE:
            raise NotReadyError("still copies its factory constants after the reset")
        raw = self.get(Reg.TRIM, 24)
        self.expect_constants(raw)
        self._trim = Trim.of(raw)
        self.put(Reg.CONFIG, FILTER_OFF)

    def measure(self, now_s: float) -> DriverCoroutine:
        """One conversion of temperature and pressure."""
        self.put(Reg.CTRL_MEAS, FORCED)
        middle_s = now_s + TYPICAL_S / 2
        yield now_s + CONVERSION_S
        raw = self.get(Reg.STATUS, 10)  # on to the last data register: one transfer
        if raw[0] & MEASURING:
            raise NotReadyError("the conversion was not finished in time")
        data = raw[Reg.DATA - Reg.STATUS :]
        self.expect_change(data)
        adc_p = int.from_bytes(data[0:3], "big") >> 4
        adc_t = int.from_bytes(data[3:6], "big") >> 4
        if SKIPPED in (adc_p, adc_t):
            raise NotReadyError("the conversion was skipped: the chip lost its settings")
        celsius, t_fine = compensate_temperature(self._trim, adc_t)
        self.emit(Baro(middle_s, compensate_pressure(self._trim, adc_p, t_fine)))
        self.emit_own_temperature(middle_s, celsius)
