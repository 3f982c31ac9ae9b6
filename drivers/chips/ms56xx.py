"""MS5611 and MS5607 barometers (TE Connectivity / MEAS).

These chips have commands instead of registers. Both answer alike and differ only in the shifts of the
compensation, so only the resulting pressure distinguishes them.

Sources: MS5611-01BA03 and MS5607-02BA03 datasheets (calculation flow charts with a worked example each,
second-order correction, conversion times); Measurement Specialties application note AN520 (PROM CRC-4).
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress

from drivers.bus import Bus
from drivers.chip import Chip, ChipSpec
from drivers.errors import BadCalibrationError, NoAnswerError, NotReadyError
from drivers.quick import dataclass
from drivers.samples import Baro, whole_ns
from drivers.sensor import DriverCoroutine

RESET = 0x1E
PROM = 0xA0  # eight words, two bytes apart
CONVERT_PRESSURE = 0x48  # D1 at oversampling 4096
CONVERT_TEMPERATURE = 0x58  # D2 likewise
READ_ADC = 0x00

RELOAD_S = 0.0028  # "device reset", from memory
CONVERSION_S = 0.00904  # maximum at oversampling 4096, from memory
TYPICAL_S = 0.00822
TEMPERATURE_EVERY = 5
"""Temperature follows the case slowly; a reading in every cycle would take the time of a pressure reading."""

_UNVERIFIED = "Reload time after reset and longest conversion time; commands and constants read"

MS5611 = ChipSpec(
    name="MS5611",
    kind="barometer",
    addresses=(0x77, 0x76),
    channels=("baro",),
    extra=("oat",),
    rate_hz=50.0,
    max_rate_hz=50.0,
    noise={"baro": 1.2},
    delay_s=TYPICAL_S / 2,
    source="MS5611-01BA03 datasheet; 0.012 mbar rms at oversampling 4096",
    example="MS5611 datasheet p. 8 (20.07 °C, 1000.09 mbar)",
    unverified=_UNVERIFIED,
)
MS5607 = ChipSpec(
    name="MS5607",
    kind="barometer",
    addresses=(0x77, 0x76),
    channels=("baro",),
    extra=("oat",),
    rate_hz=50.0,
    max_rate_hz=50.0,
    noise={"baro": 2.4},
    delay_s=TYPICAL_S / 2,
    source="MS5607-02BA03 datasheet; 0.024 mbar rms at oversampling 4096 (from memory)",
    example="MS5607 datasheet p. 8 (20.00 °C, 1100.02 mbar)",
    unverified=_UNVERIFIED + "; noise",
)


@dataclass(frozen=True, slots=True)
class Shifts:
    """The constants of the compensation that differ between the two chips."""

    offset: int
    offset_slope: int
    sense: int
    sense_slope: int
    cold: tuple[int, int, int, int]  # OFF2 and SENS2 below 20 °C, each as numerator and shift
    very_cold: tuple[int, int, int, int]  # what is added to each below -15 °C, likewise


SHIFTS = {
    "MS5611": Shifts(16, 7, 15, 8, cold=(5, 1, 5, 2), very_cold=(7, 0, 11, 1)),
    "MS5607": Shifts(17, 6, 16, 7, cold=(61, 4, 2, 0), very_cold=(15, 0, 8, 0)),
}


@dataclass(frozen=True, slots=True)
class Compensated:
    """The datasheet's intermediate and final values, in its own units."""

    d_t: int
    temp_cdegc: int  # hundredths of a degree Celsius
    off: int
    sens: int
    pressure_pa: float  # the flow chart rounds down to whole pascals; a vario needs the fraction too


def compensate(shifts: Shifts, c: Sequence[int], d1: int, d2: int) -> Compensated:
    """First- and second-order compensation, in integers as in the datasheet's flow chart.

    Args:
        shifts: of the chip.
        c: the eight PROM words; C1 is `c[1]`.
        d1: raw pressure.
        d2: raw temperature.
    """
    d_t = d2 - (c[5] << 8)
    temp = 2000 + (d_t * c[6] >> 23)
    off = (c[2] << shifts.offset) + (c[4] * d_t >> shifts.offset_slope)
    sens = (c[1] << shifts.sense) + (c[3] * d_t >> shifts.sense_slope)
    if temp < 2000:
        cold = (temp - 2000) ** 2
        factor, shift, sens_factor, sens_shift = shifts.cold
        off2 = factor * cold >> shift
        sens2 = sens_factor * cold >> sens_shift
        if temp < -1500:
            very_cold = (temp + 1500) ** 2
            factor, shift, sens_factor, sens_shift = shifts.very_cold
            off2 += factor * very_cold >> shift
            sens2 += sens_factor * very_cold >> sens_shift
        temp -= d_t * d_t >> 31
        off -= off2
        sens -= sens2
    return Compensated(d_t, temp, off, sens, (d1 * sens - (off << 21)) / (1 << 36))


def crc4(words: Sequence[int]) -> int:
    """The checksum of the eight PROM words (AN520): its own byte, the low one of word 7, counts as 0."""
    remainder = 0
    for index, word in enumerate(words):
        for byte in (word >> 8, 0 if index == 7 else word & 0xFF):
            remainder ^= byte
            for _ in range(8):
                remainder = (remainder << 1) ^ 0x3000 if remainder & 0x8000 else remainder << 1
                remainder &= 0xFFFF
    return remainder >> 12


def read_prom(bus: Bus, address: int) -> list[int]:
    """The eight words."""
    return [int.from_bytes(bus.write_read(address, bytes([PROM + 2 * word]), 2), "big") for word in range(8)]


def is_good(words: Sequence[int]) -> bool:
    """Whether the checksum is correct and the PROM is not empty (an empty PROM has a correct checksum)."""
    constants = words[1:7]
    return crc4(words) == words[7] & 0xF and all(constants) and set(constants) != {0xFFFF}


class Ms56xx(Chip):
    """Driver of both: pressure in every cycle, and temperature in every fifth cycle after the pressure."""

    SPECS = (MS5611, MS5607)

    @classmethod
    def recognize(cls, bus: Bus, address: int) -> str | None:
        """The chips have no identity register. A PROM with a correct checksum identifies the family."""
        with suppress(NoAnswerError):
            if is_good(read_prom(bus, address)):
                return "its PROM has a correct checksum"
        return None

    def setup(self, now_s: float) -> DriverCoroutine:
        """Reset, read and check the PROM, measure the temperature once."""
        self._shifts = SHIFTS[self.spec.name]
        self._cycle = 0
        self.bus.write(self.address, bytes([RESET]))
        now_s = yield now_s + RELOAD_S
        self._prom = read_prom(self.bus, self.address)
        if not is_good(self._prom):
            raise BadCalibrationError(
                f"PROM {' '.join(f'{word:04X}' for word in self._prom)}: checksum {crc4(self._prom):X}, "
                f"stored {self._prom[7] & 0xF:X}",
                "Garbled transfer (lower the bus speed, shorten the wires), another chip, or a broken one",
            )
        self.bus.write(self.address, bytes([CONVERT_TEMPERATURE]))
        yield now_s + CONVERSION_S
        self._d2 = self._result()

    def measure(self, now_s: float) -> DriverCoroutine:
        """Convert the pressure; in every fifth cycle also the temperature."""
        self.bus.write(self.address, bytes([CONVERT_PRESSURE]))
        middle_s = now_s + TYPICAL_S / 2
        now_s = yield now_s + CONVERSION_S
        d1 = self._result()
        self.expect_change(d1.to_bytes(3, "big"))
        values = compensate(self._shifts, self._prom, d1, self._d2)
        self.emit(Baro(whole_ns(middle_s), values.pressure_pa))
        self.emit_own_temperature(middle_s, values.temp_cdegc / 100.0)
        self._cycle += 1
        if self._cycle % TEMPERATURE_EVERY == 0:
            self.bus.write(self.address, bytes([CONVERT_TEMPERATURE]))
            yield now_s + CONVERSION_S
            self._d2 = self._result()

    def _result(self) -> int:
        raw = int.from_bytes(self.get(READ_ADC, 3), "big")
        if raw == 0:
            raise NotReadyError("the conversion was not finished in time: the converter reads 0")
        return raw
