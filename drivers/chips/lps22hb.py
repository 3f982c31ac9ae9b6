"""LPS22HB barometer (STMicroelectronics), one conversion at a time. The chip compensates by itself.

Source: DocID027083: register map, 4096 LSB/hPa, 100 LSB/°C. No worked example. The conversion time in
one-shot mode is not published: the driver waits one period of the fastest rate (75 Hz), then asks.
"""

from __future__ import annotations

from enum import IntEnum

from drivers.chip import Chip, ChipSpec, Identity, signed
from drivers.errors import NotReadyError
from drivers.samples import Baro
from drivers.sensor import DriverCoroutine


class Reg(IntEnum):
    """Register map."""

    ID = 0x0F
    CTRL1 = 0x10
    CTRL2 = 0x11
    STATUS = 0x27
    DATA = 0x28  # pressure 24 bits, temperature 16 bits, low byte first, two's complement


SOFT_RESET = 0x04
WHOLE_READINGS = 0x02  # CTRL1: one-shot, no filter, data registers change only when read as a whole
ONE_SHOT = 0x11  # CTRL2: register address counts up, convert once
PRESSURE_READY = 0x01

START_UP_S = 0.005
CONVERSION_S = 0.0135
ASK_AGAIN_S = 0.0015
ASK_AT_MOST = 4

LPS22HB = ChipSpec(
    name="LPS22HB",
    kind="barometer",
    addresses=(0x5D, 0x5C),
    channels=("baro",),
    extra=("oat",),
    rate_hz=50.0,
    max_rate_hz=50.0,
    noise={"baro": 1.3},
    delay_s=CONVERSION_S / 2,
    source="DocID027083: 0.0075 hPa with its filter; without it, as used here, √3 times that (computed)",
    identity=Identity(Reg.ID, 0xB1),
    unverified="Noise, time of one conversion, bits of CTRL1; other registers read in public drivers",
)


def pressure_pa(raw: bytes) -> float:
    """Pascals of three bytes, low first."""
    return signed(int.from_bytes(raw, "little"), 24) / 4096.0 * 100.0


class Lps22hb(Chip):
    """Driver."""

    SPECS = (LPS22HB,)

    def setup(self, now_s: float) -> DriverCoroutine:
        """Reset, identify, configure."""
        self.expect_identity()
        self.put(Reg.CTRL2, SOFT_RESET)
        yield now_s + START_UP_S
        self.put(Reg.CTRL1, WHOLE_READINGS)

    def measure(self, now_s: float) -> DriverCoroutine:
        """One conversion of both."""
        self.put(Reg.CTRL2, ONE_SHOT)
        middle_s = now_s + CONVERSION_S / 2
        now_s = yield now_s + CONVERSION_S
        for _ in range(ASK_AT_MOST):
            raw = self.get(Reg.STATUS, 6)
            if raw[0] & PRESSURE_READY:
                break
            now_s = yield now_s + ASK_AGAIN_S
        else:
            raise NotReadyError("the conversion was not finished in time")
        self.expect_change(raw[1:])
        self.emit(Baro(middle_s, pressure_pa(raw[1:4])))
        celsius = signed(int.from_bytes(raw[4:6], "little"), 16) / 100.0
        self.emit_own_temperature(middle_s, celsius)
