"""MS4525DO differential pressure sensor (TE Connectivity), ±1 psi, output type A.

No registers: a read gives status, pressure and temperature of the latest conversion.

Source: MS4525DO datasheet p. 14 (frame and status bits), transfer function type A (from memory).
"""

from __future__ import annotations

from enum import IntEnum

from drivers.chip import Chip, ChipSpec
from drivers.errors import ChipFaultError, NotReadyError, SaturatedError
from drivers.quick import dataclass
from drivers.samples import Pitot
from drivers.sensor import DriverCoroutine

PSI_PA = 6894.757293168361
SPAN_PSI = 1.0
FULL = 16383  # 14 bits
LOW, HIGH = 0.05, 0.95  # of full scale; the range itself is 0.1 to 0.9

MS4525DO = ChipSpec(
    name="MS4525DO",
    kind="airspeed",
    addresses=(0x28, 0x36, 0x46),
    channels=("pitot",),
    rate_hz=50.0,
    max_rate_hz=200.0,
    delay_s=0.0005,
    source="MS4525DO datasheet; no noise given, one count is 1.05 Pa",
    unverified="Transfer function, fault and command states, addresses but 0x28; frame and stale state read",
    example="MS4525DO datasheet p. 14 (status bits); type A end points",
)


class DataStatus(IntEnum):
    """The two highest bits of the frame."""

    NORMAL = 0
    COMMAND_MODE = 1
    STALE = 2
    FAULT = 3


_STATUS = tuple(DataStatus)


@dataclass(frozen=True, slots=True)
class RawReading:
    """Status and pressure; 11 bits of temperature follow, which the driver does not need."""

    status: DataStatus
    pressure: int  # 14 bits

    @classmethod
    def of(cls, raw: bytes) -> RawReading:
        """From the bytes of a read."""
        return cls(_STATUS[raw[0] >> 6], (raw[0] & 0x3F) << 8 | raw[1])


def pressure_pa(counts: int) -> float:
    """Pressure of port 1 above port 2, type A: 10 % of full scale is -span, 90 % is +span."""
    return ((counts - 0.1 * FULL) * 2.0 * SPAN_PSI / (0.8 * FULL) - SPAN_PSI) * PSI_PA


class Ms4525do(Chip):
    """Driver: it converts by itself every half millisecond."""

    SPECS = (MS4525DO,)
    KNOWN_BY_ADDRESS = True

    def setup(self, now_s: float) -> DriverCoroutine:
        """The chip has no settings and no identity register: a plausible frame is accepted."""
        self._frame()
        yield now_s + 1.0 / self.identity.rate_hz

    def measure(self, now_s: float) -> None:
        """Read the latest."""
        frame = self._frame()
        if frame.status is DataStatus.STALE:
            raise NotReadyError("no new conversion since the last reading")
        if not LOW * FULL <= frame.pressure <= HIGH * FULL:
            raise SaturatedError(
                f"reads {frame.pressure} of {FULL}: beyond ±{SPAN_PSI:g} psi",
                "Water in the tubes, or too much pressure; disconnect them at the instrument before cleaning",
            )
        self.emit(Pitot(self.read_at_s(now_s), pressure_pa(frame.pressure)))

    def _frame(self) -> RawReading:
        frame = RawReading.of(self.bus.read(self.address, 4))
        if frame.status in {DataStatus.FAULT, DataStatus.COMMAND_MODE}:
            raise ChipFaultError(
                f"reports {frame.status.name.lower().replace('_', ' ')}",
                "Cycle its supply; if it stays, the bridge or its bond wires are broken",
            )
        return frame
