"""Total-energy check flight: find whether the airspeed compensates pull-ups and push-overs.

In still air total energy decreases only by the sink of the glider. In a pull-up, speed is exchanged for
height, and H + k·V²/2g stays constant apart from that sink; k = 1 is perfect compensation. The k that fits
the flight best shows by how much the airspeed counts too little (under-compensated, k > 1) or too much. The
difference is attributed to the position error of the static port of the barometer
(vario/flight/inputs/calibration.py), which changes the measured height by that fraction of V²/2g. The fit
uses heights and not climb rates, so nothing is differentiated. Every pull-up has its own level and mean sink
in the fit, so slowly changing lift does not affect the result.

On a day with thermals a pilot changes speed because the air rises or sinks, which looks like an error of the
compensation. Therefore changes of speed in turns are not used, and the flight is refused if the mean sinks of
its pull-ups differ by more than they can in still air.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np

from drivers.isa import G0_MPS2, GAS_CONSTANT, altitude_m, tas_mps, temperature_k
from drivers.samples import Sample
from vario.app.calibrate.outcome import Outcome
from vario.app.calibrate.series import ChannelSeries, Floats, collect, needed
from vario.app.errors import AppError
from vario.settings.hardware import MOST_POSITION_ERROR

RATE_HZ = 10.0
AROUND_S = 12.0
"""Length of the interval used before and after the middle of a pull-up or push-over."""

LEAST_CHANGE_M = 12.0
"""Smallest change of V²/2g within `AROUND_S`: 120 to 105 km/h gives 13 m."""

LEAST_MANOEUVRES = 3

STRAIGHT_RAD = math.radians(25.0)
"""Largest change of heading within `AROUND_S` before or after the middle."""

MOST_SPREAD_MPS = 0.4
"""Largest standard deviation of the mean sinks, after the part that depends on the speed. Still air in a
simulation gives 0.1 m/s, a day with thermals 1 m/s or more."""

WHAT_TO_FLY = (
    "fly at least {least} pull-ups and push-overs in still air, early in the morning: change the speed by "
    "about 40 km/h within 10 s, wings level, with 20 s between them; if only a part of the flight is like "
    "that, give it with --between FROM TO"
)

_LITTLE = "a leak in the pitot line, or a static port under pressure"
_MUCH = "a static port under suction, or a wrong zero of the pitot sensor"

GOOD = 0.05
"""Accepted error of k. A pull-up from 180 to 90 km/h changes V²/2g by 96 m; 5 % of it in 10 s is 0.5 m/s."""


def energy_check(samples: Iterable[Sample], in_force: float = 0.0) -> Outcome:
    """Measure how well the airspeed compensates pull-ups and push-overs.

    Args:
        samples: of a flight with several of them in still air, with pressures corrected by the settings.
        in_force: position error of the barometer in these settings.

    Raises:
        AppError: if there are too few pull-ups and push-overs, or the air was not still.
    """
    found = collect(samples, "baro", "pitot", "oat", "imu_gyro", "gnss_vel")
    baro, pitot = needed(found, "baro", 60.0), needed(found, "pitot", 60.0)
    t_s, height_m, kinetic_m = _energies(baro, pitot, found.get("oat"))
    every = _manoeuvres(t_s, kinetic_m)
    windows = [window for window in every if _straight(t_s[window], found)]
    advice = WHAT_TO_FLY.format(least=LEAST_MANOEUVRES)
    if len(windows) < LEAST_MANOEUVRES:
        turning = (
            f", and {len(every) - len(windows)} changes of speed in turns"
            if len(every) > len(windows)
            else ""
        )
        raise AppError(f"pull-ups and push-overs: found {len(windows)}{turning}; {advice}")
    k, error, sinks = _fit([(t_s[w], height_m[w], kinetic_m[w]) for w in windows])
    spread = _spread(sinks, np.array([np.mean(kinetic_m[w]) for w in windows]))
    if spread > MOST_SPREAD_MPS:
        raise AppError(
            f"the air was not still: the sinks in {len(windows)} changes of speed differ by {spread:.1f} m/s "
            f"(standard deviation), expected {MOST_SPREAD_MPS:g} m/s or less; these are not pull-ups at "
            f"constant energy, and no result is written; {advice}"
        )
    share = in_force + k - 1.0
    settings = {"sensors.baro": {"position_error": float(f"{share:.4f}")}}
    correction = f"Suggested position_error of the barometer: {share:.4f}, until now {in_force:.4f}."
    if error > GOOD or GOOD < abs(k - 1.0) <= 2 * error:
        verdict = (
            "The result is not conclusive: the air was not still enough. Fly more pull-ups, early in the "
            "morning."
        )
        settings = {}
    elif abs(k - 1.0) <= GOOD:
        verdict = "The total energy is well compensated."
        settings = {}
    else:
        wrong, cause = (
            (
                f"Under-compensated: a pull-up reads as lift. The airspeed counts {(k - 1):.0%} too little",
                _LITTLE,
            )
            if k > 1.0
            else (
                f"Over-compensated: a pull-up reads as sink. The airspeed counts {(1 - k):.0%} too much",
                _MUCH,
            )
        )
        verdict = f"{wrong}: {cause}. Find the cause first. {correction}"
        if abs(share) > MOST_POSITION_ERROR:
            verdict = f"{verdict} This value is too large for a static port: the cause is a different one."
            settings = {}
    return Outcome(
        "total-energy",
        [
            f"{len(windows)} pull-ups and push-overs: factor of the airspeed pressure {k:.3f} ±{error:.3f}.",
            verdict,
        ],
        settings,
        {
            "energy": {
                "factor": k,
                "factor_error": error,
                "manoeuvres": len(windows),
                "spread_mps": spread,
                "position_error": share,
            }
        },
        [
            "Calibrate the airspeed first (vario calibrate airspeed): a wrong airspeed has the same effect "
            "here.",
            "The result is valid only in still air: early morning, no wind near hills. Gusts make it look "
            "over-compensated.",
            "Stay inside the limits of the flight manual. Make sure that nobody is below or behind, and that "
            "somebody looks out.",
        ],
    )


def _energies(
    baro: ChannelSeries, pitot: ChannelSeries, oat: ChannelSeries | None
) -> tuple[Floats, Floats, Floats]:
    """Time, s, true height, m, and V²/2g, m, on an even grid, shape (n,) each.

    The height is integrated with the air temperature, from 0 at the start.
    """
    begin_s, end_s = max(baro.t_s[0], pitot.t_s[0]), min(baro.t_s[-1], pitot.t_s[-1])
    t_s = np.arange(begin_s, end_s, 1.0 / RATE_HZ)
    static_pa = np.interp(t_s, baro.t_s, baro.values[:, 0])
    impact_pa = np.interp(t_s, pitot.t_s, pitot.values[:, 0])
    standard_k = np.array([temperature_k(altitude_m(float(p))) for p in static_pa])
    air_k = standard_k if oat is None else np.interp(t_s, oat.t_s, oat.values[:, 0])
    # Hydrostatic: dh = -R T / (g p) dp.
    step_m = -GAS_CONSTANT * air_k[:-1] / G0_MPS2 * np.diff(np.log(static_pa))
    height_m = np.concatenate(([0.0], np.cumsum(step_m)))
    speed = np.array(
        [tas_mps(float(q), float(p), float(t)) for q, p, t in zip(impact_pa, static_pa, air_k, strict=True)]
    )
    return t_s, height_m, speed**2 / (2.0 * G0_MPS2)


def _manoeuvres(t_s: Floats, kinetic_m: Floats) -> list[slice]:
    """Intervals around quick changes of speed in flight, as index slices; they do not overlap."""
    half = round(AROUND_S * RATE_HZ)
    quarter = half // 2
    changes = np.abs(kinetic_m[2 * quarter :] - kinetic_m[: -2 * quarter])
    flying = kinetic_m[quarter:-quarter] > 20.0**2 / (2.0 * G0_MPS2)
    changes = np.where(flying, changes, 0.0)
    found: list[slice] = []
    while len(changes) and float(np.max(changes)) >= LEAST_CHANGE_M:
        middle = int(np.argmax(changes)) + quarter
        if middle - half >= 0 and middle + half <= len(t_s):
            found.append(slice(middle - half, middle + half))
        low = max(0, middle - quarter - 2 * half)
        changes[low : middle - quarter + 2 * half] = 0.0
    return sorted(found, key=lambda window: window.start)


def _straight(t_s: Floats, found: dict[str, ChannelSeries]) -> bool:
    """Whether the heading stays, by the gyro, otherwise by the track; True if neither is known."""
    begin_s, end_s = float(t_s[0]), float(t_s[-1])
    for channel in ("imu_gyro", "gnss_vel"):
        series = found.get(channel)
        part = None if series is None else series.between(begin_s, end_s)
        if part is None or len(part.t_s) < 5:
            continue
        if channel == "imu_gyro":
            headings = np.cumsum(part.values[:-1, 2] * np.diff(part.t_s))
        else:
            headings = np.unwrap(np.arctan2(part.values[:, 1], part.values[:, 0]))
        return float(np.ptp(headings)) <= 2.0 * STRAIGHT_RAD
    return True


def _spread(sinks: Floats, kinetic_m: Floats) -> float:
    """Standard deviation of the mean sinks. With enough of them, their dependence on V² is removed first."""
    fitted = 2 if len(sinks) >= 2 * LEAST_MANOEUVRES and float(np.ptp(kinetic_m)) > 1.0 else 1
    line = np.polyfit(kinetic_m, sinks, fitted - 1)
    left = sinks - np.polyval(line, kinetic_m)
    return float(np.sqrt(np.sum(left**2) / (len(sinks) - fitted)))


def _fit(windows: list[tuple[Floats, Floats, Floats]]) -> tuple[float, float, Floats]:
    """Fit H = level + drift·t − sink(V) − k·V²/2g by least squares: k, its standard deviation, the drifts.

    Each window has its own level and drift. The drifts are mean climbs of the energy height, m/s.
    """
    heights, starts = [], np.cumsum([0, *(len(t_s) for t_s, _, _ in windows)])
    total, unknown = int(starts[-1]), 2 * len(windows) + 2
    matrix = np.zeros((total, unknown))
    for index, (t_s, height_m, kinetic_m) in enumerate(windows):
        part = slice(int(starts[index]), int(starts[index + 1]))
        at_s = t_s - np.mean(t_s)
        matrix[part, 2 * index] = 1.0
        matrix[part, 2 * index + 1] = at_s
        # The sink increases with V²; this is its integral without the mean, which the drift contains.
        matrix[part, -2] = np.cumsum(kinetic_m - np.mean(kinetic_m)) / RATE_HZ / 100.0
        matrix[part, -1] = -kinetic_m
        heights.append(height_m)
    target = np.concatenate(heights)
    best, *_ = np.linalg.lstsq(matrix, target, rcond=None)
    left = target - matrix @ best
    # The errors of neighbouring points are correlated: the residuals count as one value per second.
    free = max(1.0, total / RATE_HZ - unknown)
    covariance = np.linalg.inv(matrix.T @ matrix) * float(np.sum(left**2)) / free
    return (
        float(best[-1]),
        float(np.sqrt(covariance[-1, -1])),
        np.asarray(best[1 : 2 * len(windows) : 2], np.float64),
    )
