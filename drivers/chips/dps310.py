"""DPS310 barometer (Infineon), one conversion at a time on command.

Source: DPS310 datasheet v1.1: compensation (section 4.9), scale factors (table 9), coefficients (table
18), measurement times (table 16). No worked example is printed; the temperature formula is checked
against the arithmetic of a published report.
"""

from __future__ import annotations

from enum import IntEnum

from drivers.chip import Chip, ChipSpec, Identity, signed
from drivers.errors import NotReadyError, StaleDataError
from drivers.quick import dataclass
from drivers.samples import Baro
from drivers.sensor import DriverCoroutine


class Reg(IntEnum):
    """Register map, section 7."""

    PRESSURE = 0x00  # 24 bits, high byte first, two's complement
    TEMPERATURE = 0x03  # likewise
    PRS_CFG = 0x06
    TMP_CFG = 0x07
    MEAS_CFG = 0x08
    RESET = 0x0C
    ID = 0x0D
    COEFFICIENTS = 0x10  # 18 bytes
    COEF_SRCE = 0x28


SOFT_RESET = 0x09
READY_AFTER_RESET = 0xC0  # in MEAS_CFG: coefficients available, sensor initialised
TEMPERATURE_READY, PRESSURE_READY = 0x20, 0x10
MEASURE_PRESSURE, MEASURE_TEMPERATURE = 0x01, 0x02
OVERSAMPLING_8 = 0x03  # beyond 8 the result would need the shift bits of CFG_REG
OVERSAMPLING_1 = 0x00
SCALE = {1: 524_288.0, 2: 1_572_864.0, 4: 3_670_016.0, 8: 7_864_320.0}  # table 9

START_UP_S = 0.040
PRESSURE_S = 0.0165  # typically 14.8 ms at x8, table 16
PRESSURE_TYPICAL_S = 0.0148
TEMPERATURE_S = 0.0042  # typically 3.6 ms at x1
TEMPERATURE_EVERY = 25
"""Each pair of conversions takes slightly longer than a cycle of 20 ms, so it is made rarely."""

FUSE_FIX = ((0x0E, 0xA5), (0x0F, 0x96), (0x62, 0x02), (0x0E, 0x00), (0x0F, 0x00))
"""Undocumented writes of the maker's own driver, for chips whose temperature reads about 60 °C."""

DPS310 = ChipSpec(
    name="DPS310",
    kind="barometer",
    addresses=(0x77, 0x76),
    channels=("baro",),
    extra=("oat",),
    rate_hz=50.0,
    max_rate_hz=50.0,
    noise={"baro": 0.5},
    delay_s=PRESSURE_TYPICAL_S / 2,
    source="DPS310 datasheet v1.1; pressure x8, temperature x1",
    identity=Identity(Reg.ID, 0x10),
    unverified="Pressure formula, scale factors beyond x1, settings bits, temperature fix, noise",
)


@dataclass(frozen=True, slots=True)
class Coefficients:
    """Factory constants, table 18."""

    c0: int
    c1: int
    c00: int
    c10: int
    c01: int
    c11: int
    c20: int
    c21: int
    c30: int

    @classmethod
    def of(cls, raw: bytes) -> Coefficients:
        """From the 18 bytes at `Reg.COEFFICIENTS`: widths 12, 12, 20, 20 and five times 16 bits."""
        bits = int.from_bytes(raw, "big")
        values, left = [], 144
        for width in (12, 12, 20, 20, 16, 16, 16, 16, 16):
            left -= width
            values.append(signed(bits >> left & (1 << width) - 1, width))
        return cls(*values)


def compensate_temperature(c: Coefficients, scaled: float) -> float:
    """Degrees Celsius of a raw reading divided by its scale factor."""
    return c.c0 / 2.0 + c.c1 * scaled


def compensate_pressure(c: Coefficients, p: float, t: float) -> float:
    """Pascals of raw pressure and temperature, each divided by its scale factor."""
    return c.c00 + p * (c.c10 + p * (c.c20 + p * c.c30)) + t * c.c01 + t * p * (c.c11 + p * c.c21)


class Dps310(Chip):
    """Driver: pressure in every cycle, temperature at longer intervals."""

    SPECS = (DPS310,)

    def setup(self, now_s: float) -> DriverCoroutine:
        """Reset, identify, read the coefficients, measure the temperature once."""
        self.expect_identity()
        self.put(Reg.RESET, SOFT_RESET)
        now_s = yield now_s + START_UP_S
        if self.get(Reg.MEAS_CFG)[0] & READY_AFTER_RESET != READY_AFTER_RESET:
            raise NotReadyError("not ready after the reset")
        raw = self.get(Reg.COEFFICIENTS, 18)
        self.expect_constants(raw)
        self._coefficients = Coefficients.of(raw)
        external = self.get(Reg.COEF_SRCE)[0] & 0x80  # which of its two thermometers the constants are for
        for register, value in FUSE_FIX:
            self.put(register, value)
        self.put(Reg.PRS_CFG, OVERSAMPLING_8)
        self.put(Reg.TMP_CFG, external | OVERSAMPLING_1)
        self.put(Reg.MEAS_CFG, MEASURE_TEMPERATURE)
        yield now_s + TEMPERATURE_S
        self._temperature = self._result(Reg.TEMPERATURE, TEMPERATURE_READY) / SCALE[1]
        self._cycle = 0

    def measure(self, now_s: float) -> DriverCoroutine:
        """Convert the pressure; in some cycles also the temperature."""
        self.put(Reg.MEAS_CFG, MEASURE_PRESSURE)
        middle_s = now_s + PRESSURE_TYPICAL_S / 2
        now_s = yield now_s + PRESSURE_S
        raw = self._result(Reg.PRESSURE, PRESSURE_READY)
        self.expect_change((raw & 0xFFFFFF).to_bytes(3, "big"))
        self.emit(Baro(middle_s, compensate_pressure(self._coefficients, raw / SCALE[8], self._temperature)))
        celsius = compensate_temperature(self._coefficients, self._temperature)
        self.emit_own_temperature(middle_s, celsius)
        self._cycle += 1
        if self._cycle % TEMPERATURE_EVERY == 0:
            self.put(Reg.MEAS_CFG, MEASURE_TEMPERATURE)
            yield now_s + TEMPERATURE_S
            self._temperature = self._result(Reg.TEMPERATURE, TEMPERATURE_READY) / SCALE[1]

    def _result(self, register: Reg, ready: int) -> int:
        oversampling, _, status = self.get(Reg.PRS_CFG, 3)
        if oversampling != OVERSAMPLING_8:  # with another scale the pressure would be plausible but wrong
            raise StaleDataError(
                f"it lost its settings: register 0x06 reads 0x{oversampling:02X}, expected 0x03",
                "Its supply voltage dropped for a moment: check plug and regulator",
            )
        if not status & ready:
            raise NotReadyError("the conversion was not finished in time")
        return signed(int.from_bytes(self.get(register, 3), "big"), 24)
