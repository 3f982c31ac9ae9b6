"""Compare the barometer with the altitude of the GNSS positions.

The difference of the two changes slowly: by the weather, by an air temperature off the standard (3.5 % of the
height for each 10 K), and by errors of the receiver. It is compared with its mean over half a minute. If it
leaves the tolerance, one of the two is wrong: the barometer if the inertial filter has contradicted it in the
last minute, and otherwise the altitude.
"""

from __future__ import annotations

from drivers import isa
from vario.flight.core.doubt import Doubt
from vario.flight.core.low_pass import LowPass
from vario.flight.estimate.result import Estimate
from vario.flight.inputs.health import Inputs
from vario.flight.inputs.static_watch import StaticWatch

MEAN_S = 30.0
"""Averaging time of the difference: long against a manoeuvre, short against weather and receiver."""

FIRST_S = 20.0
"""Nothing is doubted earlier after the first position."""

TOLERANCE_M, SUSPECT_TOLERANCE_M = 45.0, 8.0
"""Tolerance without and with a contradiction by the inertial filter in the last minute. On one recorded
flight of five hours with an older receiver the difference left its mean by up to 38 m, on another by 16 m.
"""

PER_HEIGHT, LATENCY_S = 0.05, 0.5
"""The tolerance grows by this share of the height flown within the averaging time, because the air differs
from the standard atmosphere, and by the motion during the delay of a position.
"""

STUCK_M = 15.0
"""An altitude that repeats to the last digit while the barometer moves by this much is stuck."""

CALM_S, SUSPECT_M, DECIDE_S = 5.0, 8.0, 4.0
"""When the inertial filter begins to contradict the barometer, the difference of the heights is compared with
its mean over the `CALM_S` before. The barometer is wrong if the difference changes by more than `SUSPECT_M`
within `DECIDE_S`. A step caused by an opened window is smaller: 50 Pa or 5 m.
"""

RETURN_S = 10.0
"""After a barometer that was wrong, the inertial filter needs this long before its vario can be shown."""

ALTITUDE_AGREES_S = 6.0
"""An altitude that was wrong only concerns the glide, so it is used again earlier than other readings."""

HELD_S = 1.0
"""A difference beyond the tolerance must last for this long, unless the inertial filter has contradicted."""

EVIDENCE_S = 60.0
"""A contradiction by the inertial filter counts for this long."""

FELT_NIS = 2.6
"""With this NIS of the height, twice the largest in correct flights, the inertial filter feels a motion that
a resting static pressure does not show. The filter follows a blocked line, so the NIS stays below the limit
of `ImuWatch` for up to 20 s.
"""

STEADY_S, STEADY_RANGE_M = 120.0, 30.0
"""If the difference has changed once and is then steady for this long, while the barometer moves by this
much, the receiver or a step of the static pressure has caused the change. The barometer follows the height
again.
"""


class SteadyDifference:
    """Watches whether the difference of the two heights is steady while the barometer moves."""

    def __init__(self) -> None:
        self._mean = LowPass(MEAN_S)
        self._lasted_s = 0.0
        self._low_m = self._high_m = 0.0

    def follow(self, difference_m: float, pressure_m: float, late_m: float, dt_s: float) -> float | None:
        """Process a comparison; returns the difference once it has been steady for long enough."""
        before_m = self._mean.value
        mean_m = self._mean.follow(difference_m, dt_s)
        if before_m is None or abs(difference_m - before_m) > SUSPECT_M + late_m:
            self._lasted_s, self._low_m, self._high_m = 0.0, pressure_m, pressure_m
        self._lasted_s += dt_s
        self._low_m, self._high_m = min(self._low_m, pressure_m), max(self._high_m, pressure_m)
        is_steady = self._lasted_s > STEADY_S and self._high_m - self._low_m > STEADY_RANGE_M
        return mean_m if is_steady else None


class HeightWatch:
    """Compares the two heights with each position.

    Attributes:
        baro_wrong, altitude_wrong: which of them is doubted.
    """

    def __init__(self) -> None:
        self._baro, self._altitude = Doubt(), Doubt(ALTITUDE_AGREES_S)
        self._difference, self._height, self._calm = LowPass(MEAN_S), LowPass(MEAN_S), LowPass(CALM_S)
        self._static_pa: float | None = None
        self._last_m = 0.0
        self._last_s: float | None = None
        self._known_s = self._beyond_s = 0.0
        self._undecided_s = 0.0
        self._suspect_s = EVIDENCE_S
        self._repeated_m: float | None = None
        self._low_m = self._high_m = 0.0
        self._has_doubted_imu = self._felt = False
        self._steady: SteadyDifference | None = None
        self._static = StaticWatch()
        self._kinetic_m = 0.0
        self.baro_wrong = self.altitude_wrong = False

    @property
    def baro_undecided(self) -> bool:
        """Whether the inertial filter contradicts the barometer, and it is not known yet which is wrong."""
        return self._undecided_s > 0.0 or (self._contradicted and self._static.may_be_wrong)

    @property
    def _contradicted(self) -> bool:
        """Whether the inertial filter has contradicted the barometer lately, or is rejected because of it."""
        return self._suspect_s < EVIDENCE_S or self._has_doubted_imu

    def update(self, inputs: Inputs, estimate: Estimate) -> None:
        """Process one frame with its readings and its estimate."""
        frame = inputs.frame
        if frame.baro:
            self._static_pa = frame.baro[-1].static_pa
            if frame.pitot:
                impact_pa = frame.pitot[-1].impact_pa
                self._static.take(self._static_pa, impact_pa, frame.dt_s)
                self._kinetic_m = isa.metres_per_pascal(self._static_pa) * impact_pa
        imu_doubted = inputs.has_imu and estimate.imu_against_baro
        contradicts = estimate.baro_suspect or (imu_doubted and not self._has_doubted_imu)
        begins = contradicts and self._suspect_s > 0.0
        self._undecided_s -= frame.dt_s
        if begins:
            self._undecided_s = max(self._undecided_s, DECIDE_S)
        elif self.baro_wrong:
            self._undecided_s = RETURN_S
        self._suspect_s = 0.0 if contradicts else self._suspect_s + frame.dt_s
        self._felt = self._contradicted or estimate.diagnostics.nis.get("height", 0.0) > FELT_NIS
        self._has_doubted_imu = imu_doubted
        for position in frame.gnss_pos:
            if self._static_pa is not None and inputs.has_baro:
                self._compare(position.altitude_m, isa.altitude_m(self._static_pa), frame.t_s)

    def _compare(self, altitude_m: float, pressure_m: float, t_s: float) -> None:
        dt_s = 0.0 if self._last_s is None else min(t_s - self._last_s, MEAN_S)
        rate_mps = abs(pressure_m - self._last_m) / dt_s if dt_s > 0.0 else 0.0
        self._last_s, self._last_m = t_s, pressure_m
        self._static.compare(altitude_m, pressure_m, self._kinetic_m, dt_s)
        static = self._static
        slow = (self._contradicted and static.wrong) or (self._felt and static.rests)
        self._known_s += dt_s
        difference_m = altitude_m - pressure_m
        mean_m, height_m, calm_m = self._difference.value, self._height.value, self._calm.value
        if mean_m is None or height_m is None or calm_m is None:
            self._follow(difference_m, pressure_m, dt_s)
            return
        off_m = abs(difference_m - mean_m)
        late_m = LATENCY_S * rate_mps
        suspected = self._suspect_s < EVIDENCE_S
        tolerance_m = SUSPECT_TOLERANCE_M if suspected or self.baro_wrong else TOLERANCE_M
        tolerance_m += PER_HEIGHT * abs(pressure_m - height_m) + late_m
        stuck = self._is_stuck(altitude_m, pressure_m)
        beyond = off_m > tolerance_m
        self._beyond_s = self._beyond_s + dt_s if beyond else 0.0
        doubted = self.baro_wrong or self.altitude_wrong
        if self._known_s > FIRST_S and not doubted:
            if slow or (self._undecided_s > 0.0 and abs(difference_m - calm_m) > SUSPECT_M + late_m):
                self._baro.begin()
            elif stuck:
                self._altitude.begin()
            elif self._beyond_s > (0.0 if suspected else HELD_S):
                (self._baro if suspected or self._has_doubted_imu else self._altitude).begin()
        agrees = off_m < max(0.5 * tolerance_m, SUSPECT_M) and not stuck
        self.baro_wrong = self._baro.follow(dt_s, agrees=agrees and not slow)
        self.altitude_wrong = self._altitude.follow(dt_s, agrees=agrees)
        self._relearn(difference_m, pressure_m, late_m, dt_s)
        steady = not (self.baro_wrong or self.altitude_wrong or self.baro_undecided or beyond)
        if steady or self._known_s < FIRST_S:
            self._follow(difference_m, pressure_m, dt_s)

    def _relearn(self, difference_m: float, pressure_m: float, late_m: float, dt_s: float) -> None:
        """Take a steady difference as the new mean: otherwise the doubt about the barometer would never end.

        A doubt about the altitude is not ended by it, because an altitude with a lasting error is wrong for
        the glide.
        """
        if not self.baro_wrong or self.altitude_wrong:
            self._steady = None
            return
        self._steady = self._steady or SteadyDifference()
        found_m = self._steady.follow(difference_m, pressure_m, late_m, dt_s)
        if found_m is not None:
            self._steady = None
            for low_pass in (self._difference, self._calm):
                low_pass.reset(found_m)
            self._height.reset(pressure_m)

    def _is_stuck(self, altitude_m: float, pressure_m: float) -> bool:
        if self._repeated_m != altitude_m:
            self._repeated_m, self._low_m, self._high_m = altitude_m, pressure_m, pressure_m
        self._low_m, self._high_m = min(self._low_m, pressure_m), max(self._high_m, pressure_m)
        return self._high_m - self._low_m > STUCK_M

    def _follow(self, difference_m: float, pressure_m: float, dt_s: float) -> None:
        """Update the means; in the beginning they are those of all positions so far."""
        self._calm.follow(difference_m, dt_s)
        longer = max(MEAN_S / max(self._known_s, dt_s, 1e-3), 1.0)
        self._difference.follow(difference_m, longer * dt_s)
        self._height.follow(pressure_m, longer * dt_s)
