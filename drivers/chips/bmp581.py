"""BMP581 barometer (Bosch Sensortec), in forced mode. The chip compensates by itself.

Source: BST-BMP581-DS004: register map, output scaling, table 9 (RMS noise and shortest period by
oversampling). No compensation, so no worked example.
"""

from __future__ import annotations

from enum import IntEnum

from drivers.chip import Chip, ChipSpec, Identity, signed
from drivers.errors import ChipFaultError, NotReadyError
from drivers.samples import Baro
from drivers.sensor import DriverCoroutine


class Reg(IntEnum):
    """Register map."""

    ID = 0x01
    INT_SOURCE = 0x15
    DATA = 0x1D  # temperature, then pressure, 24 bits each, low byte first
    INT_STATUS = 0x27
    STATUS = 0x28
    DSP_IIR = 0x31
    OSR = 0x36
    ODR = 0x37
    CMD = 0x7E


RESET_WORD = 0xB6
DATA_READY = 0x01  # in INT_SOURCE and INT_STATUS
NVM_READY, NVM_ERROR = 0x02, 0x04  # in STATUS
PRESSURE_X16_TEMPERATURE_X1 = 1 << 6 | 4 << 3  # and pressure enabled
FILTER_OFF = 0x00
STANDBY = 1 << 7  # deep standby off, so that settings are kept
FORCED = STANDBY | 2

START_UP_S = 0.003
STANDBY_S = 0.003
TYPICAL_S = 1 / 87  # the continuous rate at x16, table 9
CONVERSION_S = 0.0145  # no maximum is given; a quarter more

BMP581 = ChipSpec(
    name="BMP581",
    kind="barometer",
    addresses=(0x47, 0x46),
    channels=("baro",),
    extra=("oat",),
    rate_hz=50.0,
    max_rate_hz=60.0,
    noise={"baro": 0.21},
    delay_s=TYPICAL_S / 2,
    source="BST-BMP581-DS004 table 9; pressure x16, temperature x1, filter off",
    identity=Identity(Reg.ID, 0x50),
    unverified="Bits of the settings registers, conversion time in forced mode; addresses and scaling read",
)


def temperature_c(raw: bytes) -> float:
    """Degrees Celsius of three bytes, low first: 1/65536 °C, signed."""
    return signed(int.from_bytes(raw, "little"), 24) / 65536.0


def pressure_pa(raw: bytes) -> float:
    """Pascals of three bytes, low first: 1/64 Pa."""
    return int.from_bytes(raw, "little") / 64.0


class Bmp581(Chip):
    """Driver."""

    SPECS = (BMP581,)

    def setup(self, now_s: float) -> DriverCoroutine:
        """Reset, identify, check its memory, configure."""
        self.expect_identity()
        self.put(Reg.CMD, RESET_WORD)
        now_s = yield now_s + START_UP_S
        (status,) = self.get(Reg.STATUS)
        if status & NVM_ERROR or not status & NVM_READY:
            raise ChipFaultError(
                f"status 0x{status:02X}: its factory memory is not ready or damaged", "Cycle its supply"
            )
        self.put(Reg.ODR, STANDBY)
        yield now_s + STANDBY_S
        self.put(Reg.INT_SOURCE, DATA_READY)
        self.put(Reg.DSP_IIR, FILTER_OFF)
        self.put(Reg.OSR, PRESSURE_X16_TEMPERATURE_X1)

    def measure(self, now_s: float) -> DriverCoroutine:
        """One conversion of both."""
        self.put(Reg.ODR, FORCED)
        middle_s = now_s + TYPICAL_S / 2
        yield now_s + CONVERSION_S
        if not self.get(Reg.INT_STATUS)[0] & DATA_READY:
            raise NotReadyError("the conversion was not finished in time")
        raw = self.get(Reg.DATA, 6)
        self.expect_change(raw)
        self.emit(Baro(middle_s, pressure_pa(raw[3:])))
        self.emit_own_temperature(middle_s, temperature_c(raw[:3]))
