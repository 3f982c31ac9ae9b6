"""Detect an inertial unit that cannot be used: wrong axes, wrong units, or strong vibration.

With such a unit the inertial filter contradicts itself or the pressures. Each contradiction below lasts for
some seconds only if the estimate is wrong; correct flights with gusts stay well within the limits
(docs/accuracy.md). After a contradiction the filter restarts. Its estimate is not used until it has run
without another contradiction for a while: 20 s at first, twice as long each time. Until then the pressures
alone give the vario.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

from drivers.isa import G0_MPS2
from drivers.samples import GnssVel
from vario.flight.core.doubt import Doubt
from vario.flight.core.low_pass import LowPass
from vario.flight.core.vectors import Vector
from vario.flight.estimate.inertial_injection import accept_height
from vario.flight.estimate.inertial_state import InertialState
from vario.flight.estimate.inertial_update import SETTLE_S

MOST_GYRO_BIAS_RADPS = math.radians(3.0)
MOST_ACCEL_BIAS_MPS2 = 0.8
"""The bias of common units is smaller than this once it is known at rest (datasheets allow some 40 to 80
mg).
"""

MISFIT_NIS = 16.0
MISFIT_S = 3.0
APART_NIS, APART_GROUND_NIS = 8.0, 4.0
"""If barometer and velocity over ground differ from the unit by these NIS, the filter restarts at once. The
largest value of both in correct flights is 1.3.
"""
CONFIRMED_NIS = 1.3
"""Below this NIS, the largest of correct flights, velocity over ground confirms the unit. Then the airspeed
alone differs: an iced pitot reads 10 m/s too much in a pull-up.
"""
SUSPECT_NIS, SUSPECT_CALM, SUSPECT_S, AGAIN_S = 6.0, 0.5, 2.0, 10.0
"""If the barometer differs by this NIS, and velocity over ground by less than this share of it, the
barometer may be wrong. When this has lasted for `SUSPECT_S`, the filter moves to the height of the barometer,
as after a step. If the difference is as large again within `AGAIN_S`, the unit is wrong. `HeightWatch`
decides whether the barometer is wrong. The largest NIS of the height in correct flights is 1.3.
"""
USUAL_S = 60.0
"""The NIS of the height is divided by its usual value, averaged over this time: static ports in a wake have
more noise than stated, and noise is no contradiction. While the barometer is not used, nothing is averaged.
"""
CLIMB_OFF_MPS, CLIMB_LATE_S, CLIMB_S = 0.8, 0.4, 2.0
"""Largest difference between the climbs of filter and barometer alone, averaged over `CLIMB_S`. In a pull-up
it grows by `CLIMB_LATE_S` times the vertical acceleration, because the barometer alone is late.
"""

ENERGY_OFF_MPS, ENERGY_S = 2.0, 8.0
"""Largest difference between the vario of the filter and that of the pressures, averaged over `ENERGY_S`. A
step of the head wind of 4 m/s at 27 m/s makes 1.4 m/s.
"""

FORCE_MPS2, FORCE_S = (0.5 * G0_MPS2, 5.3 * G0_MPS2), 2.0
"""No glider flies outside these limits for this long (CS-22.337, limit load factor of the utility category):
the accelerometer is in units of g, or does not measure.
"""

PULL_MPS2 = 2.5 * G0_MPS2
"""Beyond this the models of wing and static ports are too inaccurate to judge the barometer."""

HANGING_MPS2 = 2.0
"""No glider flies inverted for this long: the accelerometer is mounted upside down."""

SHAKE_MPS2 = 2.5
"""A larger mean change from one sample to the next is vibration, which aliasing turns into false motion."""

TRACK_M2PS2, AGREE_RAD2PS2, AGREE_S = 100.0, 0.01, 1.5
"""If the product of the turn rates of track and unit, averaged over `AGREE_S`, is below -`AGREE_RAD2PS2`, one
of them has the wrong sign. A track counts above a ground speed of 10 m/s.
"""

OWN_FAULT_S = 120.0
"""The unit is no evidence against the barometer for this long after it has contradicted itself or the track,
because such a fault often returns.
"""


class ImuWatch:
    """Judges the filter after each correction.

    Attributes:
        rejections: how often the unit was rejected.
        against_baro: the last rejection may be due to a fault of the barometer.
        baro_suspect: the barometer contradicts the unit, but velocity over ground does not.
    """

    def __init__(self) -> None:
        self.rejections = 0
        self.against_baro = False
        self._accepted_s = AGAIN_S
        self._own_fault_s = math.inf
        self._doubt = Doubt()
        self._force = LowPass(FORCE_S, G0_MPS2)
        self._below = LowPass(FORCE_S, -G0_MPS2)
        self._climb, self._pull = LowPass(CLIMB_S), LowPass(CLIMB_S)
        self._usual = LowPass(USUAL_S, 1.0)
        self._energy, self._agree = LowPass(ENERGY_S), LowPass(AGREE_S)
        self._velocity: GnssVel | None = None
        self.begin()

    def begin(self) -> None:
        """The filter has started: discard what was observed before."""
        self._misfit_s = self._suspect_s = 0.0
        self.baro_suspect = False
        self._velocity = None  # the rate of the filter belongs to the new run only
        for mean in (self._climb, self._pull, self._energy, self._agree):
            mean.reset(0.0)

    @property
    def trusted(self) -> bool:
        """Whether no contradiction has been seen for long enough."""
        return not self._doubt.active

    @property
    def _is_evidence(self) -> bool:
        """Whether a contradiction can speak against the barometer."""
        return self._own_fault_s > OWN_FAULT_S

    def reject(self, *, own_fault: bool) -> None:
        """A contradiction: the time without contradictions starts again.

        `own_fault`: force, vibration or turn rate, which have nothing to do with the barometer.
        """
        self.rejections += 1
        if own_fault:
            self._own_fault_s = 0.0
        self.against_baro = self._is_evidence
        self._doubt.begin()
        self._doubt.follow(0.0, agrees=False)
        self.begin()

    def check_force(self, force: Vector, shake_mps2: float, dt_s: float) -> bool:
        """Process the mean specific force of a frame; False if it is impossible in flight and at rest."""
        self._own_fault_s += dt_s
        size = math.sqrt(force[0] ** 2 + force[1] ** 2 + force[2] ** 2)
        size_mps2, below_mps2 = self._force.follow(size, dt_s), self._below.follow(force[2], dt_s)
        if size_mps2 > PULL_MPS2:
            self._own_fault_s = 0.0
        low, high = FORCE_MPS2
        return low < size_mps2 < high and below_mps2 < HANGING_MPS2 and shake_mps2 < SHAKE_MPS2

    def check_turn(self, velocities: Sequence[GnssVel], heading_rate_radps: float) -> bool:
        """Process velocities over ground; False if the track turns the other way than the unit."""
        for now in velocities:
            before, self._velocity = self._velocity, now
            if before is None or not 0.0 < now.t_s - before.t_s < 2.0:
                continue
            across = before.north_mps * now.east_mps - before.east_mps * now.north_mps
            along = before.north_mps * now.north_mps + before.east_mps * now.east_mps
            dt_s = now.t_s - before.t_s
            agree = math.atan2(across, along) / dt_s * heading_rate_radps if along > TRACK_M2PS2 else 0.0
            self._agree.follow(agree, dt_s)
        return (self._agree.value or 0.0) > -AGREE_RAD2PS2

    def plausible(
        self, state: InertialState, climb_mps: float | None, vario_mps: float | None, dt_s: float
    ) -> bool:
        """Whether the filter agrees with itself and with climb and vario of the pressures alone.

        These are None where they are not reliable themselves; then only the consistency of the filter is
        checked.
        """
        nis = state.nis
        ground_nis = max(nis["north"], nis["east"])
        in_use = state.ground.in_use
        confirmed = in_use and ground_nis < CONFIRMED_NIS
        if climb_mps is not None or confirmed:
            self._doubt.follow(dt_s, agrees=True)  # with nothing to compare, nothing agrees
        if not within_limits(state):
            return False
        usual = self._usual.value or 1.0
        height_nis = nis["height"] / max(usual, 1.0)
        if climb_mps is not None and state.age_s > SETTLE_S and ground_nis < APART_GROUND_NIS:
            self._usual.follow(min(nis["height"], SUSPECT_NIS), dt_s)
        if climb_mps is not None and height_nis > APART_NIS and ground_nis > APART_GROUND_NIS:
            return False
        known = climb_mps is not None and in_use
        if confirmed:
            vario_mps = None  # the airspeed differs, and velocity over ground confirms the unit
        if self._suspect(state, height_nis, ground_nis, dt_s, known=known):
            climb_mps = vario_mps = None
        height_off = climb_mps is not None and height_nis > MISFIT_NIS
        misfit = height_off or (nis["sideslip"] > MISFIT_NIS and nis["lift"] > MISFIT_NIS)
        self._misfit_s = self._misfit_s + dt_s if misfit else 0.0
        off = 0.0 if climb_mps is None else state.climb_mps - climb_mps
        climb_off_mps = self._climb.follow(off, dt_s)
        (fx, fy, fz), (dx, dy, dz) = state.force, state.down
        up_mps2 = math.fsum((fx * dx, fy * dy, fz * dz)) + G0_MPS2
        pull_mps2 = self._pull.follow(abs(up_mps2), dt_s)
        off = 0.0 if vario_mps is None else state.vario_mps - vario_mps
        energy_off_mps = self._energy.follow(max(-8.0, min(8.0, off)), dt_s)
        return (
            self._misfit_s < MISFIT_S
            and abs(climb_off_mps) < CLIMB_OFF_MPS + CLIMB_LATE_S * pull_mps2
            and abs(energy_off_mps) < ENERGY_OFF_MPS
        )

    def _suspect(
        self, state: InertialState, height_nis: float, ground_nis: float, dt_s: float, *, known: bool
    ) -> bool:
        """Whether the barometer may be wrong instead of the unit."""
        self._accepted_s += dt_s
        off = known and height_nis > SUSPECT_NIS and ground_nis < SUSPECT_CALM * height_nis
        self._suspect_s = self._suspect_s + dt_s if off else max(self._suspect_s - dt_s, 0.0)
        due = self._suspect_s > SUSPECT_S and self._accepted_s > AGAIN_S
        if due and "height" in state.innovations:  # a slow barometer has no reading in some corrections
            accept_height(state)
            self._suspect_s = self._accepted_s = 0.0
        suspected = self._suspect_s > 0.0
        self.baro_suspect = suspected and self._is_evidence
        return suspected and self._suspect_s < SUSPECT_S


def within_limits(state: InertialState) -> bool:
    """Whether the estimate is finite and the biases are those of a common unit."""
    (p, q, r), (x, y, z) = state.gyro_bias, state.accel_bias
    gyro, accel = max(abs(p), abs(q), abs(r)), max(abs(x), abs(y), abs(z))
    if not math.isfinite(state.vario_mps + gyro + accel):
        return False
    return gyro <= MOST_GYRO_BIAS_RADPS and accel <= MOST_ACCEL_BIAS_MPS2
