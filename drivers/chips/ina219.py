"""INA219 supply monitor (Texas Instruments); only its voltage input is used (up to 26 V).

Source: SBOS448: register map, 4 mV per count; example: 0x5D98 is 11.98 V. It has no identity register:
the value of its configuration after a reset is checked instead.
"""

from __future__ import annotations

from enum import IntEnum

from drivers.chip import Chip, ChipSpec
from drivers.errors import NotReadyError, SaturatedError, WrongChipError
from drivers.samples import Supply
from drivers.sensor import DriverCoroutine


class Reg(IntEnum):
    """Register map; all 16 bits, high byte first."""

    CONFIGURATION = 0x00
    BUS_VOLTAGE = 0x02


RESET = 0x8000
AFTER_RESET = 0x399F
VOLTAGE_ONCE_MEAN_OF_128 = 1 << 13 | 0xF << 7 | 0xF << 3 | 2  # 32 V range, bus voltage, on command
CONVERTED, OVERFLOW = 0x02, 0x01

START_UP_S = 0.001
TYPICAL_S = 0.0681
CONVERSION_S = 0.0751

INA219 = ChipSpec(
    name="INA219",
    kind="supply voltage",
    addresses=tuple(range(0x40, 0x50)),
    channels=("supply",),
    rate_hz=1.0,
    max_rate_hz=10.0,
    noise={"supply": 0.004},
    delay_s=TYPICAL_S / 2,
    source="SBOS448; one count",
    example="INA219 datasheet, programming example (from memory)",
    unverified="Everything",
)


def voltage_v(register: int) -> float:
    """Volts of the bus voltage register: its lowest three bits are flags."""
    return (register >> 3) * 0.004


class Ina219(Chip):
    """Driver."""

    SPECS = (INA219,)
    KNOWN_BY_ADDRESS = True

    def setup(self, now_s: float) -> DriverCoroutine:
        """Reset, and check the reset value of the configuration."""
        self.put_word(Reg.CONFIGURATION, RESET)
        yield now_s + START_UP_S
        found = self.get_word(Reg.CONFIGURATION)
        if found != AFTER_RESET:
            raise WrongChipError(
                f"configuration after reset reads 0x{found:04X}, expected 0x{AFTER_RESET:04X} (INA219)",
                "Another chip is at this address",
            )

    def measure(self, now_s: float) -> DriverCoroutine:
        """One conversion, mean of 128."""
        self.put_word(Reg.CONFIGURATION, VOLTAGE_ONCE_MEAN_OF_128)
        yield now_s + CONVERSION_S
        raw = self.get_word(Reg.BUS_VOLTAGE)
        if not raw & CONVERTED:
            raise NotReadyError("the conversion was not finished in time")
        if raw & OVERFLOW:
            raise SaturatedError(
                "reports an overflow: above its range", "Check that no more than 26 V are connected"
            )
        self.emit(Supply(now_s + TYPICAL_S / 2, voltage_v(raw)))
