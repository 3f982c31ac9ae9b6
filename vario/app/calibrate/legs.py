"""Position error of the airspeed from GNSS, on three or more headings.

The ground velocities of runs at one true airspeed lie on a circle. Its centre is the wind and its radius is
the true airspeed (D. Gray, Using GPS to accurately establish True Airspeed, 1998; D. Fox, Kitplanes, February
1995, for tracks at right angles). Runs are never flown at exactly the same speed. Therefore the measured
airspeed of each run is used, and one factor between true and measured airspeed is fitted to all runs. For
equal airspeeds this is the fit of the circle.

The error is attributed to the static port (vario/flight/inputs/calibration.py), because the error of the
pitot tube itself is small.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import astuple, dataclass

import numpy as np
from scipy.optimize import least_squares

from drivers.isa import cas_mps, impact_of_tas_pa, tas_mps
from drivers.samples import Sample
from vario.app.calibrate.outcome import Outcome
from vario.app.calibrate.series import ChannelSeries, Floats, air_k, collect, needed
from vario.app.errors import AppError
from vario.settings.hardware import MOST_POSITION_ERROR

LEAST_LEG_S = 15.0
LEAST_TURN_RAD = math.radians(30.0)
TRACK_STEADY_RAD = math.radians(6.0)
SPEED_STEADY_MPS = 2.5
SLOWEST_MPS = 15.0


@dataclass(frozen=True, slots=True)
class Leg:
    """One straight run and its means.

    Attributes:
        from_s: start time.
        to_s: end time.
        north_mps: mean velocity over ground, to the north.
        east_mps: mean velocity over ground, to the east.
        tas_mps: mean measured true airspeed.
        static_pa: mean static pressure.
        air_k: air temperature.
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
        """Direction of the track over ground."""
        return math.atan2(self.east_mps, self.north_mps)


@dataclass(frozen=True, slots=True)
class WindFit:
    """Wind and airspeed factor from several runs.

    Attributes:
        north_mps: velocity of the air to the north.
        east_mps: velocity of the air to the east.
        factor: true airspeed divided by measured true airspeed.
        left_mps: RMS residual; 0 for three runs, which always fit exactly.
        factor_error: standard deviation of the factor; None for three runs.
    """

    north_mps: float
    east_mps: float
    factor: float
    left_mps: float
    factor_error: float | None


def solve(legs: Sequence[tuple[float, float, float]]) -> WindFit:
    """Fit the wind and the airspeed factor to the runs.

    Args:
        legs: ground velocity north, ground velocity east and measured true airspeed of each run, m/s.

    Raises:
        AppError: for fewer than three runs, or runs with too similar directions.
    """
    if len(legs) < 3:
        raise AppError(f"straight runs: found {len(legs)}; expected three or more, on different headings")
    north, east, tas = np.array(legs).T

    def off(unknown: Floats) -> Floats:
        w_north, w_east, factor = unknown
        return np.asarray(np.hypot(north - w_north, east - w_east) - factor * tas)

    start = np.array([np.mean(north), np.mean(east), 1.0])
    best = least_squares(off, start, method="lm", xtol=1e-12, ftol=1e-12)
    normal = best.jac.T @ best.jac
    if np.linalg.cond(normal) > 1e6:
        raise AppError("the directions of the runs are too similar; expected headings 90° to 120° apart")
    spare = len(legs) - 3
    left = float(np.sqrt(np.mean(best.fun**2)))
    error = None
    if spare:
        covariance = np.linalg.inv(normal) * float(np.sum(best.fun**2)) / spare
        error = float(np.sqrt(covariance[2, 2]))
    w_north, w_east, factor = (float(value) for value in best.x)
    return WindFit(w_north, w_east, factor, left, error)


def position_error(
    samples: Iterable[Sample], in_force: float = 0.0, windows: Sequence[tuple[float, float]] = ()
) -> Outcome:
    """Find the position error of the airspeed from a recording with straight runs.

    Args:
        samples: of the recording, with pressures corrected by the settings.
        in_force: position error of the pitot sensor in these settings.
        windows: start and end times of the runs, s; if empty, they are detected in the recording.

    Raises:
        AppError: if there are fewer than three good runs, or the error is too large for a static port.
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
    if abs(share) > MOST_POSITION_ERROR:
        raise AppError(
            f"the error of the airspeed is {true - indicated:+.1f} m/s, a position error of {share:+.0%}; "
            f"expected {MOST_POSITION_ERROR:.0%} or less for a static port: look for a leak, a blocked tube "
            "or a wrong zero first"
        )
    error = "" if wind.factor_error is None else f" (±{wind.factor_error * indicated * 3.6:.1f})"
    from_deg = math.degrees(math.atan2(-wind.east_mps, -wind.north_mps)) % 360.0
    return Outcome(
        "airspeed",
        [
            f"{len(legs)} runs: the measured airspeed is {indicated * 3.6:.1f} km/h, the true calibrated "
            f"airspeed is {true * 3.6:.1f} km/h: correction {(true - indicated) * 3.6:+.1f} km/h{error}.",
            f"Wind {math.hypot(wind.north_mps, wind.east_mps) * 3.6:.0f} km/h from {from_deg:.0f}°; "
            f"the residual is {wind.left_mps * 3.6:.1f} km/h.",
            f"The error of the static port is {share:+.1%} of the impact pressure: position_error = "
            f"{share:.4f}, until now {in_force:.4f}. The barometer gets the same value: it is assumed to be "
            "on the same static line.",
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
            "The result is valid for this speed and flap setting. Repeat the flight at several speeds, in "
            "smooth air, at one height.",
            "A barometer on a separate port has a different error: delete its position_error again, and find "
            "it with vario calibrate total-energy.",
            "GNSS gives true airspeed: an error of 10 K in the air temperature looks like 1.7 % of airspeed. "
            "Without a temperature sensor the temperature of the standard atmosphere is assumed.",
        ],
    )


def straight_runs(velocity: ChannelSeries, pitot: ChannelSeries) -> list[tuple[float, float]]:
    """Start and end times, s, of the longest straight and steady run on each heading."""
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
            # The first and last seconds may still belong to the turns.
            begin_s, end_s = float(velocity.t_s[first]) + 3.0, float(velocity.t_s[index - 1]) - 3.0
            runs.append((begin_s, end_s, float(np.mean(track[part]))))
        first = index
    chosen: list[tuple[float, float, float]] = []
    for run in sorted(runs, key=lambda run: run[0] - run[1]):
        if all(abs(math.remainder(run[2] - other[2], math.tau)) > LEAST_TURN_RAD for other in chosen):
            chosen.append(run)
    return sorted((begin_s, end_s) for begin_s, end_s, _ in chosen)


def _leg(
    span: tuple[float, float],
    velocity: ChannelSeries,
    pitot: ChannelSeries,
    baro: ChannelSeries,
    oat: ChannelSeries | None,
) -> Leg:
    parts = [series.between(*span) for series in (velocity, pitot, baro)]
    if any(len(part.t_s) < 5 for part in parts):
        raise AppError(
            f"the run from {span[0]:g} to {span[1]:g} s contains too few readings; expected 5 or more"
        )
    ground, impact, static = parts
    static_pa = float(static.mean[0])
    kelvin = air_k(oat, sum(span) / 2.0, static_pa)
    speeds = [tas_mps(float(value), static_pa, kelvin) for value in impact.values[:, 0]]
    north, east = (float(value) for value in np.mean(ground.values[:, :2], axis=0))
    return Leg(*span, north, east, float(np.mean(speeds)), static_pa, kelvin)


def _mean(legs: Sequence[Leg]) -> Leg:
    return Leg(*(float(value) for value in np.mean([astuple(leg) for leg in legs], axis=0)))
