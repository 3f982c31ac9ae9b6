"""BMP388 and BMP390 barometers (Bosch Sensortec), in forced mode: one conversion a cycle, then asleep.

Sources: BST-BMP388-DS001 and BST-BMP390-DS002 (register map section 4, compensation in floating point
section 8.4 to 8.6, measurement time section 3.9.2). The makers print no worked example; the arithmetic is
checked against constants and a reading of a real BMP388 in the tests of a public library.
"""

from __future__ import annotations

import struct
from enum import IntEnum

from drivers.chip import Chip, ChipSpec, Identity
from drivers.errors import ChipFaultError, NotReadyError
from drivers.quick import dataclass
from drivers.samples import Baro
from drivers.sensor import DriverCoroutine


class Reg(IntEnum):
    """Register map, section 4.2."""

    ID = 0x00
    ERR = 0x02
    STATUS = 0x03
    DATA = 0x04  # pressure and temperature, 24 bits each, low byte first
    PWR_CTRL = 0x1B
    OSR = 0x1C
    CONFIG = 0x1F
    TRIM = 0x31  # 21 bytes, little endian
    CMD = 0x7E


RESET_WORD = 0xB6
FATAL = 0x01  # in ERR
READY = 0x60  # in STATUS: pressure and temperature
PRESSURE_X4_TEMPERATURE_X1 = 0 << 3 | 2
FORCED = 1 << 4 | 0x03  # one conversion of pressure and temperature
FILTER_OFF = 0x00

START_UP_S = 0.010
TYPICAL_S = 0.01089  # 234 + (392 + 4 × 2020) + (163 + 2020) µs
CONVERSION_S = 0.0135  # no maximum is given; a quarter more

_UNVERIFIED = (
    "Settings bits, scaling of the constants, conversion time; register addresses read in public drivers"
)


def _spec(name: str, identity: int) -> ChipSpec:
    return ChipSpec(
        name=name,
        kind="barometer",
        addresses=(0x77, 0x76),
        channels=("baro",),
        extra=("oat",),
        rate_hz=50.0,
        max_rate_hz=60.0,
        delay_s=TYPICAL_S / 2,
        source=f"BST-{name} datasheet; pressure x4, temperature x1, filter off; noise not at hand",
        example="none by the maker; a real chip's constants and reading in a public library's tests",
        identity=Identity(Reg.ID, identity),
        unverified=_UNVERIFIED,
    )


BMP388 = _spec("BMP388", 0x50)
BMP390 = _spec("BMP390", 0x60)


@dataclass(frozen=True, slots=True)
class Trim:
    """Factory constants in floating point, PAR_T1…T3 and PAR_P1…P11."""

    t: tuple[float, ...]
    p: tuple[float, ...]

    @classmethod
    def of(cls, raw: bytes) -> Trim:
        """From the 21 bytes at `Reg.TRIM`, scaled as in section 8.4."""
        t1, t2, t3, p1, p2, p3, p4, p5, p6, p7, p8, p9, p10, p11 = struct.unpack("<HHbhhbbHHbbhbb", raw)
        return cls(
            (t1 * 2.0**8, t2 / 2.0**30, t3 / 2.0**48),
            (
                (p1 - 2**14) / 2.0**20,
                (p2 - 2**14) / 2.0**29,
                p3 / 2.0**32,
                p4 / 2.0**37,
                p5 * 2.0**3,
                p6 / 2.0**6,
                p7 / 2.0**8,
                p8 / 2.0**15,
                p9 / 2.0**48,
                p10 / 2.0**48,
                p11 / 2.0**65,
            ),
        )


def compensate_temperature(trim: Trim, raw: int) -> float:
    """Degrees Celsius, section 8.5."""
    t1, t2, t3 = trim.t
    difference = raw - t1
    return difference * t2 + difference * difference * t3


def compensate_pressure(trim: Trim, raw: int, celsius: float) -> float:
    """Pascals, section 8.6: polynomials in temperature for offset, slope and curvature."""
    p1, p2, p3, p4, p5, p6, p7, p8, p9, p10, p11 = trim.p
    t = celsius
    offset = p5 + t * (p6 + t * (p7 + t * p8))
    slope = p1 + t * (p2 + t * (p3 + t * p4))
    return offset + raw * (slope + raw * ((p9 + p10 * t) + raw * p11))


class Bmp3xx(Chip):
    """Driver of both."""

    SPECS = (BMP388, BMP390)

    def setup(self, now_s: float) -> DriverCoroutine:
        """Reset, identify, read the constants, configure."""
        self.expect_identity()
        self.put(Reg.CMD, RESET_WORD)
        yield now_s + START_UP_S
        if self.get(Reg.ERR)[0] & FATAL:
            raise ChipFaultError("reports a fatal error after the reset", "The chip is broken")
        raw = self.get(Reg.TRIM, 21)
        self.expect_constants(raw)
        self._trim = Trim.of(raw)
        self.put(Reg.OSR, PRESSURE_X4_TEMPERATURE_X1)
        self.put(Reg.CONFIG, FILTER_OFF)

    def measure(self, now_s: float) -> DriverCoroutine:
        """One conversion of both."""
        self.put(Reg.PWR_CTRL, FORCED)
        middle_s = now_s + TYPICAL_S / 2
        yield now_s + CONVERSION_S
        raw = self.get(Reg.STATUS, 7)
        if raw[0] & READY != READY:
            raise NotReadyError("the conversion was not finished in time")
        self.expect_change(raw[1:])
        celsius = compensate_temperature(self._trim, int.from_bytes(raw[4:7], "little"))
        pressure_pa = compensate_pressure(self._trim, int.from_bytes(raw[1:4], "little"), celsius)
        self.emit(Baro(middle_s, pressure_pa))
        self.emit_own_temperature(middle_s, celsius)
