"""TMP117 thermometer (Texas Instruments), one averaged conversion at a time.

Source: TI SNOSD82D: register map, 7.8125 m°C per count, one-shot mode, data-ready flag; table
of codes (25 °C is 0x0C80).
"""

from __future__ import annotations

from enum import IntEnum

from drivers.chip import Chip, ChipSpec, Identity, signed
from drivers.errors import NotReadyError
from drivers.isa import CELSIUS_ZERO_K
from drivers.samples import Oat
from drivers.sensor import DriverCoroutine


class Reg(IntEnum):
    """Register map; all 16 bits, high byte first."""

    TEMPERATURE = 0x00
    CONFIGURATION = 0x01
    ID = 0x0F


SOFT_RESET = 1 << 1
ONE_SHOT_MEAN_OF_8 = 3 << 10 | 1 << 5
DATA_READY = 1 << 13

START_UP_S = 0.003
TYPICAL_S = 0.124  # eight conversions of 15.5 ms
CONVERSION_S = 0.145

TMP117 = ChipSpec(
    name="TMP117",
    kind="outside air temperature",
    addresses=(0x48, 0x49, 0x4A, 0x4B),
    channels=("oat",),
    rate_hz=1.0,
    max_rate_hz=5.0,
    noise={"oat": 0.008},
    delay_s=TYPICAL_S / 2,
    source="TI SNOSD82D; one count",
    example="TMP117 datasheet, table of codes (from memory)",
    identity=Identity(Reg.ID, 0x0117, length=2, mask=0x0FFF),  # the other four bits are a revision
    unverified="Averaging and reset bits, length of a conversion; registers, scale and one-shot mode read",
)


def temperature_c(counts: int) -> float:
    """Degrees Celsius of the 16 bits."""
    return signed(counts, 16) * 0.0078125


class Tmp117(Chip):
    """Driver."""

    SPECS = (TMP117,)

    def setup(self, now_s: float) -> DriverCoroutine:
        """Identify, reset."""
        self.expect_identity()
        self.put_word(Reg.CONFIGURATION, SOFT_RESET)
        yield now_s + START_UP_S

    def measure(self, now_s: float) -> DriverCoroutine:
        """One conversion, mean of eight."""
        self.put_word(Reg.CONFIGURATION, ONE_SHOT_MEAN_OF_8)
        yield now_s + CONVERSION_S
        if not self.get_word(Reg.CONFIGURATION) & DATA_READY:
            raise NotReadyError("the conversion was not finished in time")
        celsius = temperature_c(self.get_word(Reg.TEMPERATURE))
        self.emit(Oat(now_s + TYPICAL_S / 2, celsius + CELSIUS_ZERO_K))
