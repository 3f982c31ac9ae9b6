"""SDP31 and SDP33 differential pressure sensors (Sensirion).

They measure a mass flow through themselves, so the reading depends on the density of the air: it is
calibrated at 966 hPa and is corrected here with the static pressure of the barometer. Without a
barometer it gives nothing, because at 3000 m the error would be a third.

The range of an SDP31 ends at 500 Pa, which a glider exceeds at about 103 km/h. Beyond its range the driver
raises an error.

Sources: SDP3x datasheet (commands, frame, scale factors, CRC-8); altitude correction as in the datasheet
of the SDP1000 (calibrated at 966 mbar).
"""

from __future__ import annotations

from contextlib import suppress

from drivers.chip import Chip, ChipSpec, signed
from drivers.errors import BadChecksumError, NoAnswerError, SaturatedError, WrongChipError
from drivers.samples import Baro, Pitot, Sample
from drivers.sensor import DriverCoroutine

START_AVERAGING = bytes([0x36, 0x15])  # differential pressure, averaged from one reading to the next
STOP = bytes([0x3F, 0xF9])
CALIBRATED_PA = 96_600.0
STOP_S = 0.001
FIRST_RESULT_S = 0.020  # 8 ms are enough for the first; then some average
AMBIENT_HOLD_S = 30.0
"""How long a static pressure may be used: a glider in a dive changes it by 5 % in that time."""

_UNVERIFIED = "Ranges of the SDP31, pressure correction applied to this family; commands and scale read"


def _spec(name: str) -> ChipSpec:
    return ChipSpec(
        name=name,
        kind="airspeed",
        addresses=(0x21, 0x22, 0x23),
        channels=("pitot",),
        rate_hz=50.0,
        max_rate_hz=200.0,
        delay_s=0.010,
        source="SDP3x datasheet; noise not at hand",
        example="Sensirion datasheets: CRC-8 of BE EF is 92",
        unverified=_UNVERIFIED,
    )


SDP31 = _spec("SDP31")
SDP33 = _spec("SDP33")
SCALES = {"SDP31": 60, "SDP33": 20}  # counts a pascal; each sensor states its own in every frame
RANGES_PA = {"SDP31": 500.0, "SDP33": 1500.0}


def crc8(data: bytes) -> int:
    """CRC-8 with polynomial 0x31 and initial value 0xFF, not reflected."""
    crc = 0xFF
    for byte in data:
        crc ^= byte
        for _ in range(8):
            crc = (crc << 1 ^ 0x31) & 0xFF if crc & 0x80 else crc << 1
    return crc


def words(raw: bytes) -> list[int]:
    """The signed words of a frame, each followed by its checksum.

    Raises:
        BadChecksumError: if a checksum is wrong.
    """
    found = []
    for at in range(0, len(raw), 3):
        word, stored = raw[at : at + 2], raw[at + 2]
        if crc8(word) != stored:
            raise BadChecksumError(
                f"word {at // 3} is {word.hex(' ')} with checksum {stored:02x}, expected {crc8(word):02x}",
                "Shorten the wires, lower the bus speed",
            )
        found.append(signed(int.from_bytes(word, "big"), 16))
    return found


def true_pa(sensor_pa: float, ambient_pa: float) -> float:
    """The pressure difference at an ambient pressure."""
    return sensor_pa * CALIBRATED_PA / ambient_pa


class Sdp3x(Chip):
    """Driver of both. The chip averages the pressure between two readings."""

    SPECS = (SDP31, SDP33)
    KNOWN_BY_ADDRESS = True
    ACCEPTED_WHEN_IDLE = STOP

    listens = True
    _ambient: Baro | None = None

    def on_sample(self, sample: Sample) -> None:
        """Take the static pressure of the barometer."""
        if isinstance(sample, Baro):
            self._ambient = sample

    def setup(self, now_s: float) -> DriverCoroutine:
        """Stop, start averaging, and check the model by its scale factor."""
        self._scale = SCALES[self.spec.name]
        self._range_pa = RANGES_PA[self.spec.name]
        with suppress(NoAnswerError):  # an idle chip may refuse to stop; the next transfer is checked
            self.bus.write(self.address, STOP)
        now_s = yield now_s + STOP_S
        self.bus.write(self.address, START_AVERAGING)
        now_s = yield now_s + FIRST_RESULT_S
        _, _, scale = words(self.bus.read(self.address, 9))
        if scale != self._scale:
            known = next((name for name, value in SCALES.items() if value == scale), "another model")
            raise WrongChipError(
                f"states {scale} counts per Pa ({known}), expected {self._scale}", "Correct the settings"
            )
        self._last_s = now_s
        yield now_s + 1.0 / self.identity.rate_hz

    def measure(self, now_s: float) -> None:
        """Read the average since the last reading."""
        middle_s = (now_s + self._last_s) / 2.0
        raw = self.bus.read(self.address, 9)
        self._last_s = now_s  # a new average has begun, also if this one was garbled
        counts, _, _ = words(raw)
        reading_pa = counts / self._scale
        if abs(reading_pa) >= self._range_pa:
            raise SaturatedError(
                f"reads {reading_pa:.0f} Pa: its range ends at ±{self._range_pa:.0f} Pa",
                "Too fast for this sensor, or water in the tubes",
            )
        ambient = self._ambient
        if ambient is not None and 0.0 <= now_s - ambient.t_s <= AMBIENT_HOLD_S:
            self.emit(Pitot(middle_s, true_pa(reading_pa, ambient.static_pa)))
