"""Position error of the airspeed from GNSS, on three or more headings.

The ground velocities of runs at one true airspeed lie on a circle: its middle is the wind, its radius the
true airspeed (D. Gray, Using GPS to accurately establish True Airspeed, 1998; D. Fox, Kitplanes, February
1995, for tracks at right angles). Runs are never flown at exactly the same speed, so each one's own airspeed
is used, and what is found is the factor all of them read wrong by; for equal airspeeds this is the circle.

The error is put down to the static port (vario/flight/inputs/calibration.py): the pitot tube's own is small.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from scipy.optimize import least_squares

from drivers.isa import altitude_m, cas_mps, impact_of_tas_pa, tas_mps, temperature_k
from drivers.samples import Sample
from vario.app.calibrate.outcome import Outcome
from vario.app.calibrate.series import Floats, Series, collect, needed
from vario.app.errors import AppError

LEAST_LEG_S = 15.0
LEAST_TURN_RAD = math.radians(30.0)
TRACK_STEADY_RAD = math.radians(6.0)
SPEED_STEADY_MPS = 2.5
SLOWEST_MPS = 15.0
MOST_ERROR = 0.2
"""Of the impact pressure; the settings allow no more either."""


@dataclass(frozen=True, slots=True)
class Leg:
    """One run: its mean ground velocity, and what was measured on it.

    Attributes:
        from_s: its beginning.
        to_s: its end.
        north_mps: mean velocity over ground.
        east_mps: likewise.
        tas_mps: mean true airspeed as measured.
        static_pa: mean static pressure.
        air_k: temperature.
    """

    from_s: float
    to_s: float
    north_mps: float
    east_mps: float
    tas_mps: float
    static_pa: float
    air_k: float

    @property
    def track_rad(self) -> float:
        """Direction over ground."""
        return math.atan2(self.east_mps, self.north_mps)


@dataclass(frozen=True, slots=True)
class Wind:
    """Wind and true airspeed from runs.

    Attributes:
        north_mps: of the wind.
        east_mps: likewise.
        factor: true over measured true airspeed.
        left_mps: root mean square of what is left over; 0 for three runs, which always fit.
        factor_error: one standard deviation; None for three runs.
    """

    north_mps: float
    east_mps: float
    factor: float
    left_mps: float
    factor_error: float | None


def solve(legs: Sequence[tuple[float, float, float]]) -> Wind:
    """The wind and the factor with which runs fit together.

    Args:
        legs: of each its ground velocity north and east, and its measured true airspeed, m/s.

    Raises:
        AppError: for fewer than three, or three that do not differ in direction.
    """
    if len(legs) < 3:
        raise AppError(f"{len(legs)} straight runs; expected three or more on headings well apart")
    north, east, tas = np.array(legs).T

    def off(unknown: Floats) -> Floats:
        w_north, w_east, factor = unknown
        return np.asarray(np.hypot(north - w_north, east - w_east) - factor * tas)

    start = np.array([np.mean(north), np.mean(east), 1.0])
    best = least_squares(off, start, method="lm", xtol=1e-12, ftol=1e-12)
    normal = best.jac.T @ best.jac
    if np.linalg.cond(normal) > 1e6:
        raise AppError("the runs are too much alike: fly headings 90° to 120° apart")
    spare = len(legs) - 3
    left = float(np.sqrt(np.mean(best.fun**2)))
    error = None
    if spare:
        covariance = np.linalg.inv(normal) * float(np.sum(best.fun**2)) / spare
        error = float(np.sqrt(covariance[2, 2]))
    w_north, w_east, factor = (float(value) for value in best.x)
    return Wind(w_north, w_east, factor, left, error)


def position_error(
    samples: Iterable[Sample], in_force: float = 0.0, windows: Sequence[tuple[float, float]] = ()
) -> Outcome:
    """The airspeed's position error from a recording with straight runs.

    Args:
        samples: of the recording, its pressures as the settings correct them.
        in_force: position error of the pitot sensor with which they do.
        windows: beginnings and ends of the runs, s; found in the recording if none are given.

    Raises:
        AppError: if there are not three good runs.
    """
    found = collect(samples, "baro", "pitot", "gnss_vel", "oat")
    velocity = needed(found, "gnss_vel", 3 * LEAST_LEG_S)
    pitot = needed(found, "pitot", 3 * LEAST_LEG_S)
    baro = needed(found, "baro", 3 * LEAST_LEG_S)
    spans = list(windows) or straight_runs(velocity, pitot)
    legs = [_leg(span, velocity, pitot, baro, found.get("oat")) for span in spans]
    wind = solve([(leg.north_mps, leg.east_mps, leg.tas_mps) for leg in legs])
    mean = _mean(legs)
    impact = impact_of_tas_pa(mean.tas_mps, mean.static_pa, mean.air_k)
    true_impact = impact_of_tas_pa(wind.factor * mean.tas_mps, mean.static_pa, mean.air_k)
    indicated, true = cas_mps(impact), cas_mps(true_impact)
    share = 1.0 - (1.0 - in_force) * impact / true_impact
    if abs(share) > MOST_ERROR:
        raise AppError(
            f"the airspeed is off by {true - indicated:+.1f} m/s, more than any static port: look for a "
            "leak, a blocked tube or a wrong zero first"
        )
    error = "" if wind.factor_error is None else f" (±{wind.factor_error * indicated * 3.6:.1f})"
    from_deg = math.degrees(math.atan2(-wind.east_mps, -wind.north_mps)) % 360.0
    return Outcome(
        "airspeed",
        [
            f"{len(legs)} runs at {indicated * 3.6:.1f} km/h measured are {true * 3.6:.1f} km/h true "
            f"calibrated airspeed: add {(true - indicated) * 3.6:+.1f} km/h{error}.",
            f"Wind {math.hypot(wind.north_mps, wind.east_mps) * 3.6:.0f} km/h from {from_deg:.0f}°; "
            f"{wind.left_mps * 3.6:.1f} km/h are left over.",
            f"Of the impact pressure the static port reads {share:+.1%} too high: position_error = "
            f"{share:.4f}, until now {in_force:.4f}; for the barometer too, taken to be on the same line.",
        ],
        {
            "sensors.pitot": {"position_error": float(f"{share:.4f}")},
            "sensors.baro": {"position_error": float(f"{share:.4f}")},
        },
        {
            "airspeed": {
                "measured_cas_mps": indicated,
                "true_cas_mps": true,
                "factor": wind.factor,
                "factor_error": wind.factor_error,
                "impact_error_pa": impact - true_impact,
                "left_over_mps": wind.left_mps,
                "position_error": share,
            },
            "wind": {"north_mps": wind.north_mps, "east_mps": wind.east_mps},
            **{
                f"run_{number}": {"from_s": leg.from_s, "to_s": leg.to_s, "track_rad": leg.track_rad}
                for number, leg in enumerate(legs, start=1)
            },
        },
        [
            "Holds for this speed and flap setting; fly it at several, in smooth air, at one height.",
            "A barometer on a port of its own has an error of its own: take its line out again, and let "
            "vario calibrate total-energy find it.",
            "What GNSS shows is true airspeed: air 10 K off the temperature reckoned with looks like 1.7 %, "
            "and without a sensor for it that of the standard atmosphere is reckoned with.",
        ],
    )


def straight_runs(velocity: Series, pitot: Series) -> list[tuple[float, float]]:
    """The longest straight and steady run on each heading."""
    track = np.unwrap(np.arctan2(velocity.values[:, 1], velocity.values[:, 0]))
    impact = np.interp(velocity.t_s, pitot.t_s, pitot.values[:, 0])
    speed = np.array([cas_mps(float(value)) for value in impact])
    runs: list[tuple[float, float, float]] = []
    first = 0
    for index in range(1, len(track) + 1):
        part = slice(first, index)
        steady = index < len(track) and (
            abs(track[index] - np.mean(track[part])) < TRACK_STEADY_RAD
            and abs(speed[index] - np.mean(speed[part])) < SPEED_STEADY_MPS
            and speed[index] > SLOWEST_MPS
        )
        if steady:
            continue
        length_s = float(velocity.t_s[index - 1] - velocity.t_s[first])
        if length_s >= LEAST_LEG_S + 6.0:
            # Its first and last seconds still belong to the turns.
            runs.append(
                (
                    float(velocity.t_s[first]) + 3.0,
                    float(velocity.t_s[index - 1]) - 3.0,
                    _mean_of(track, part),
                )
            )
        first = index
    chosen: list[tuple[float, float, float]] = []
    for run in sorted(runs, key=lambda run: run[0] - run[1]):
        if all(abs(math.remainder(run[2] - other[2], math.tau)) > LEAST_TURN_RAD for other in chosen):
            chosen.append(run)
    return sorted((begin_s, end_s) for begin_s, end_s, _ in chosen)


def _mean_of(values: Floats, part: slice) -> float:
    return float(np.mean(values[part]))


def _leg(
    span: tuple[float, float],
    velocity: Series,
    pitot: Series,
    baro: Series,
    oat: Series | None,
) -> Leg:
    parts = [series.between(*span) for series in (velocity, pitot, baro)]
    if any(len(part.t_s) < 5 for part in parts):
        raise AppError(f"the run from {span[0]:g} to {span[1]:g} s holds too few readings")
    ground, impact, static = parts
    static_pa = float(static.mean[0])
    nearest = None if oat is None else float(np.interp(np.mean(span), oat.t_s, oat.values[:, 0]))
    air_k = temperature_k(altitude_m(static_pa)) if nearest is None else nearest
    speeds = [tas_mps(float(value), static_pa, air_k) for value in impact.values[:, 0]]
    north, east = (float(value) for value in np.mean(ground.values[:, :2], axis=0))
    return Leg(*span, north, east, float(np.mean(speeds)), static_pa, air_k)


def _mean(legs: Sequence[Leg]) -> Leg:
    columns = zip(
        *(
            (leg.from_s, leg.to_s, leg.north_mps, leg.east_mps, leg.tas_mps, leg.static_pa, leg.air_k)
            for leg in legs
        ),
        strict=True,
    )
    return Leg(*(float(np.mean(column)) for column in columns))
