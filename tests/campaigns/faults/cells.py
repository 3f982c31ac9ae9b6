"""The axes of the matrix: sensors, faults and phases; and the parameters of each fault.

The sizes are those of ordinary modules: large enough to be a fault, and small enough that the range check
does not reject all values, because then every case would test the same line of code.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from hw_replay.simulate.faults import EVERYTHING, Fault

FROM_S, UNTIL_S = 60.0, 80.0
"""Begin and end of a fault in flight."""


@dataclass(frozen=True, slots=True)
class Figures:
    """Sizes of the faults of one channel, in its unit (metres for a position)."""

    spike: float
    stop: float
    """The end of the range of the sensor, at which it may be stuck."""
    bias: float
    late_s: float = 0.5


FIGURES: Mapping[str, Figures] = MappingProxyType(
    {
        # 300 Pa are 27 m; common chips end at 110 kPa; 50 Pa are 4.6 m, a window opened.
        "baro": Figures(spike=300.0, stop=110_000.0, bias=50.0),
        # One pound per square inch ends the range of a common chip; 100 Pa are 3 m/s at 27 m/s.
        "pitot": Figures(spike=300.0, stop=6_895.0, bias=100.0),
        "imu_accel": Figures(spike=20.0, stop=78.45, bias=0.5),  # ±8 g
        "imu_gyro": Figures(spike=2.0, stop=4.36, bias=0.035),  # ±250 deg/s; 2 deg/s
        "gnss_pos": Figures(spike=500.0, stop=90.0, bias=300.0, late_s=1.5),
        "gnss_vel": Figures(spike=30.0, stop=145.0, bias=5.0, late_s=1.5),
        "oat": Figures(spike=30.0, stop=233.15, bias=10.0),  # -40 °C ends the range of cheap probes
        "supply": Figures(spike=8.0, stop=26.0, bias=-1.5),
    }
)

SENSORS: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "barometer": ("baro",),
        "pitot": ("pitot",),
        "inertial": ("imu_accel", "imu_gyro"),
        "GNSS": ("gnss_pos", "gnss_vel"),
        "temperature": ("oat",),
        "supply": ("supply",),
        "everything": (EVERYTHING,),
    }
)
"""Channels that fail together. "everything" is the clock of the recording, or the common bus."""

MISSING = "missing from the start"
LOST = "lost midway"
FROZEN = "frozen"
SPIKES = "spikes"
NAN = "not a number"
STOP = "at the end of its range"
BIAS = "a step"
NOISE = "ten times the noise"
LATE = "late"
TWICE = "everything twice"
DISORDER = "out of order"
AHEAD = "clock jumps ahead"
BACK = "clock jumps back"

FAULTS = (MISSING, LOST, FROZEN, SPIKES, NAN, STOP, BIAS, NOISE, LATE, TWICE, DISORDER, AHEAD, BACK)
OF_EVERYTHING = (LOST, LATE, TWICE, DISORDER, AHEAD, BACK)
"""Faults of the recording as a whole; the other kinds differ for each channel."""

JUMP_S = {True: 30.0, False: 5.0}
"""Size of a jump of the clock: of everything, and of one sensor (where a small jump has a larger effect)."""

PHASES = ("cruise", "circling", "launch")


@dataclass(frozen=True, slots=True)
class Cell:
    """One cell of the matrix."""

    sensor: str
    fault: str
    phase: str

    @property
    def from_s(self) -> float:
        """Begin of the fault."""
        return 0.0 if self.fault == MISSING else FROM_S

    @property
    def faults(self) -> list[Fault]:
        """The faults of each channel."""
        return [self._of(channel) for channel in SENSORS[self.sensor]]

    def _of(self, channel: str) -> Fault:
        sizes = FIGURES.get(channel, FIGURES["baro"])
        jump_s = JUMP_S[channel == EVERYTHING]
        if self.fault == MISSING:
            return Fault(channel, "loss")
        kinds: dict[str, Fault] = {
            LOST: Fault(channel, "loss"),
            FROZEN: Fault(channel, "freeze"),
            SPIKES: Fault(channel, "spikes", size=sizes.spike, share=0.05),
            NAN: Fault(channel, "no number"),
            STOP: Fault(channel, "stop", size=sizes.stop),
            BIAS: Fault(channel, "bias", size=sizes.bias),
            NOISE: Fault(channel, "noise", size=10.0),
            LATE: Fault(channel, "late", by_s=sizes.late_s),
            TWICE: Fault(channel, "duplicates", share=1.0),
            DISORDER: Fault(channel, "disorder", share=0.5),
            AHEAD: Fault(channel, "clock jump", size=jump_s),
            BACK: Fault(channel, "clock jump", size=-jump_s),
        }
        return replace(kinds[self.fault], from_s=FROM_S, until_s=UNTIL_S)


def cells() -> list[Cell]:
    """All cells, in the order of the tables."""
    return [
        Cell(sensor, fault, phase)
        for sensor in SENSORS
        for fault in (OF_EVERYTHING if sensor == "everything" else FAULTS)
        for phase in PHASES
    ]
