"""The vertical in the axes of the instrument, from one second of inertial samples."""

from __future__ import annotations

from drivers.isa import G0_MPS2
from vario.flight.core.vectors import Vector, size, turn

ALIGN_S = 1.0
LEAST_LIFT = 0.3
"""If the mean specific force is below this share of gravity, it gives no direction."""


class Alignment:
    """Sums specific force over `ALIGN_S`, each sample turned into the axes of the last one."""

    def __init__(self) -> None:
        self.clear()

    def clear(self) -> None:
        """Discard the sums."""
        self._sum: Vector = (0.0, 0.0, 0.0)
        self._sum_s = 0.0

    def gather(self, force: Vector, rate: Vector, step_s: float, tas_mps: float) -> Vector | None:
        """Process one inertial step; returns the vector that points up, once it is found.

        Gravity is the specific force less the centripetal part of a turn, ω × v with v along x. In a steady
        turn this gives the bank; the specific force alone would give a bank of zero. `tas_mps` is 0 if the
        glider does not fly. Source of the idea: M. Euston et al., A complementary filter for attitude
        estimation of a fixed-wing UAV, IROS 2008.
        """
        old = turn(self._sum, rate[0] * step_s, rate[1] * step_s, rate[2] * step_s)
        self._sum = (
            old[0] + force[0] * step_s,
            old[1] + (force[1] - rate[2] * tas_mps) * step_s,
            old[2] + (force[2] + rate[1] * tas_mps) * step_s,
        )
        self._sum_s += step_s
        if self._sum_s < ALIGN_S:
            return None
        lift, seconds = self._sum, self._sum_s
        self.clear()
        # Weightless, or the accelerometer is broken: there is no initial direction.
        return lift if size(lift) > LEAST_LIFT * G0_MPS2 * seconds else None
