"""Fit the polar, with its standard error, to glides in still air.

Each glide gives one point: mean airspeed and mean loss of energy height per second. Both are converted to
sea-level density (times the square root of the density ratio) and to the reference mass (divided by the
square root of the mass ratio). A quadratic is fitted to the points by least squares. Its standard error
follows from the scatter of the points.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np

from drivers.isa import G0_MPS2, GAS_CONSTANT, SEA_LEVEL_KGPM3, density_kgpm3, tas_mps
from drivers.samples import Sample
from vario.app.calibrate.outcome import Outcome
from vario.app.calibrate.series import ChannelSeries, Floats, air_k, collect, needed, second_means
from vario.app.errors import AppError
from vario.flight.core.polar import QuadraticPolar

LEAST_GLIDE_S = 30.0
LONGEST_GLIDE_S = 120.0
STEADY_MPS = 2.0
SLOWEST_MPS = 18.0
STRAIGHT_RADPS = math.radians(4.0)
LEAST_GLIDES = 4
LEAST_RANGE_MPS = 8.0
MOST_SCATTER_MPS = 0.4
"""A larger scatter comes from moving air: the sink to be measured is only about twice this value."""


@dataclass(frozen=True, slots=True)
class SteadyGlide:
    """One glide, converted to sea-level density and reference mass.

    Attributes:
        from_s: start time.
        to_s: end time.
        eas_mps: mean equivalent airspeed.
        sink_mps: mean sink, positive down.
    """

    from_s: float
    to_s: float
    eas_mps: float
    sink_mps: float


def fit_polar(
    samples: Iterable[Sample],
    mass_ratio: float = 1.0,
    windows: Sequence[tuple[float, float]] = (),
) -> Outcome:
    """Fit the polar to a recording with steady glides at several speeds.

    Args:
        samples: the samples of the flight, with pressures corrected by the settings.
        mass_ratio: flying mass divided by reference mass.
        windows: start and end times of the glides, s; if empty, they are detected in the recording.

    Raises:
        AppError: if there are too few glides, or the fitted curve is not a valid polar.
    """
    found = collect(samples, "baro", "pitot", "oat", "imu_gyro")
    baro, pitot = needed(found, "baro", LEAST_GLIDE_S), needed(found, "pitot", LEAST_GLIDE_S)
    spans = list(windows) or _steady(pitot, found.get("imu_gyro"))
    glides = [_glide(span, baro, pitot, found.get("oat"), mass_ratio=mass_ratio) for span in spans]
    if len(glides) < LEAST_GLIDES:
        raise AppError(
            f"steady glides of {LEAST_GLIDE_S:g} s or more: found {len(glides)}; "
            f"expected {LEAST_GLIDES} or more"
        )
    speeds = np.array([glide.eas_mps for glide in glides])
    if float(np.ptp(speeds)) < LEAST_RANGE_MPS:
        raise AppError(
            f"the speeds of the glides differ by {np.ptp(speeds) * 3.6:.0f} km/h; "
            f"expected {LEAST_RANGE_MPS * 3.6:.0f} km/h or more"
        )
    polar, covariance, scatter = fit(glides)
    if scatter > MOST_SCATTER_MPS:
        raise AppError(
            f"the glides scatter by {scatter:.2f} m/s about the best polar; expected "
            f"{MOST_SCATTER_MPS:g} m/s or less: the air was not still; give the times of "
            "good glides with --glide FROM TO"
        )
    if polar.a <= 0 or polar.c <= 0 or polar.b >= 0:
        raise AppError(
            "the best fit to these glides is not a valid polar: the air was not still, or the speeds are too "
            "close together "
            f"(sink = {polar.a:.3g}·V² + {polar.b:.3g}·V + {polar.c:.3g})"
        )
    said = [f"{len(glides)} glides; their scatter about the polar is {scatter:.2f} m/s."]
    figures: dict[str, dict[str, object]] = {
        "polar": {"a": polar.a, "b": polar.b, "c": polar.c, "scatter_mps": scatter},
        "polar_errors": {name: float(np.sqrt(covariance[i, i])) for i, name in enumerate(("a", "b", "c"))},
    }
    for speed in np.linspace(speeds.min(), speeds.max(), 5):
        error = sink_error(float(speed), covariance)
        sink = polar.sink_mps(float(speed))
        said.append(f"{speed * 3.6:5.0f} km/h: sink {sink:.2f} ±{error:.2f} m/s")
    for number, glide in enumerate(glides, start=1):
        figures[f"glide_{number}"] = {
            "from_s": glide.from_s,
            "to_s": glide.to_s,
            "eas_mps": glide.eas_mps,
            "sink_mps": glide.sink_mps,
        }
    said.append(f"For the glider file: [polar] a = {polar.a:.6f}, b = {polar.b:.5f}, c = {polar.c:.4f}")
    said.append("Replace `points` by a, b and c; a glider file with both is rejected.")
    return Outcome(
        "polar",
        said,
        {},
        figures,
        [
            "Air that rises or sinks at 0.1 m/s changes the measured sink by the same amount: fly many "
            "glides, in still air.",
            "Compare the polar with the flight manual before you use it in flight. With a polar that is too "
            "good, a final glide ends short of the field.",
        ],
    )


def fit(glides: Sequence[SteadyGlide]) -> tuple[QuadraticPolar, Floats, float]:
    """Fit the quadratic: the polar, the covariance of a, b, c, shape (3, 3), and the scatter, m/s."""
    speed = np.array([glide.eas_mps for glide in glides])
    sink = np.array([glide.sink_mps for glide in glides])
    matrix = np.stack([speed**2, speed, np.ones_like(speed)], axis=1)
    best, *_ = np.linalg.lstsq(matrix, sink, rcond=None)
    left = sink - matrix @ best
    scatter = float(np.sqrt(np.sum(left**2) / max(1, len(glides) - 3)))
    covariance = np.linalg.inv(matrix.T @ matrix) * scatter**2
    return QuadraticPolar(*(float(value) for value in best)), np.asarray(covariance), scatter


def sink_error(eas_mps: float, covariance: Floats) -> float:
    """Standard deviation of the sink of the polar at a speed, m/s."""
    row = np.array([eas_mps**2, eas_mps, 1.0])
    return float(np.sqrt(row @ covariance @ row))


def _steady(pitot: ChannelSeries, gyro: ChannelSeries | None) -> list[tuple[float, float]]:
    """Start and end times, s, of glides with steady speed; with a gyro, also straight."""
    t_s = np.arange(pitot.t_s[0], pitot.t_s[-1], 1.0)
    seconds = np.clip(np.searchsorted(t_s, pitot.t_s, side="right") - 1, 0, len(t_s) - 1)
    counts = np.maximum(np.bincount(seconds, minlength=len(t_s)), 1)
    impact = np.bincount(seconds, pitot.values[:, 0], minlength=len(t_s)) / counts
    speed = np.sqrt(2.0 * np.maximum(impact, 0.0) / SEA_LEVEL_KGPM3)
    straight = np.ones(len(t_s), bool)
    if gyro is not None:
        turn = second_means(gyro.t_s, np.linalg.norm(gyro.values, axis=1))
        straight = np.interp(t_s, *turn) < STRAIGHT_RADPS
    spans: list[tuple[float, float]] = []
    first = 0
    for index in range(1, len(t_s) + 1):
        goes_on = (
            index < len(t_s)
            and straight[index]
            and speed[index] > SLOWEST_MPS
            and abs(speed[index] - np.mean(speed[first:index])) < STEADY_MPS
            and t_s[index] - t_s[first] < LONGEST_GLIDE_S
        )
        if goes_on:
            continue
        if t_s[index - 1] - t_s[first] >= LEAST_GLIDE_S and speed[first] > SLOWEST_MPS:
            spans.append((float(t_s[first]) + 2.0, float(t_s[index - 1])))
        first = index
    return spans


def _glide(
    span: tuple[float, float],
    baro: ChannelSeries,
    pitot: ChannelSeries,
    oat: ChannelSeries | None,
    *,
    mass_ratio: float,
) -> SteadyGlide:
    """Loss of energy height by a line through it, which uses all readings and not two."""
    static, impact = baro.between(*span), pitot.between(*span)
    if len(static.t_s) < 10 or len(impact.t_s) < 10:
        raise AppError(
            f"the glide from {span[0]:g} to {span[1]:g} s contains too few readings; expected 10 or more"
        )
    static_pa = float(static.mean[0])
    kelvin = air_k(oat, sum(span) / 2.0, static_pa)
    height_m = -GAS_CONSTANT * kelvin / G0_MPS2 * np.log(static.values[:, 0] / static_pa)
    tas = np.array([tas_mps(float(q), static_pa, kelvin) for q in impact.values[:, 0]])
    kinetic_m = np.interp(static.t_s, impact.t_s, tas**2 / (2.0 * G0_MPS2))
    sink = -float(np.polyfit(static.t_s - static.t_s[0], height_m + kinetic_m, 1)[0])
    to_sea_level = math.sqrt(density_kgpm3(static_pa, kelvin) / SEA_LEVEL_KGPM3)
    to_reference = 1.0 / math.sqrt(mass_ratio)
    scale = to_sea_level * to_reference
    return SteadyGlide(*span, float(np.mean(tas)) * scale, sink * scale)
