"""`vario noise flight`: the noise figures with which the predictions of the estimator fit a flight best."""

from __future__ import annotations

import math
import statistics
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass, fields, replace
from itertools import pairwise
from pathlib import Path
from typing import Any

from drivers.isa import impact_pa
from drivers.samples import GnssVel, Pitot, Sample
from hw_replay.source import GNSS_AS_BARO, Source
from vario.app.errors import AppError
from vario.app.noise.files import as_comment, provenance, toml_text, write_fragment
from vario.app.noise.likelihood import Fit, Parameters, fit
from vario.app.outputs.sensor_watch import FAR, SPACING_S
from vario.app.replay.flying_speed import learned_flying_mps
from vario.app.replay.player import noise_of
from vario.flight.core.innovation import Innovation
from vario.flight.estimate.estimator import Estimator
from vario.flight.estimate.inertial_model import InertialNoise
from vario.flight.estimate.stage import estimator_settings
from vario.flight.inputs.calibration import CalibrationStage
from vario.flight.inputs.frames import Frame, Framer
from vario.flight.inputs.health import HealthStage
from vario.flight.motion.energy import Noise
from vario.flight.motion.mode import FLYING_MPS
from vario.flight.setup import Setup
from vario.flight.stage import reset_reason
from vario.settings.glider import Glider
from vario.settings.load import LoadedSettings
from vario.settings.schema import Settings

SETTINGS, FIGURES = "sensors_in_flight.toml", "innovations.toml"

AFTER_TAKE_OFF_S = 180.0
"""This excludes the launch. The rest of a long aerotow is used; for the sensors it is flight."""

USED_S = 300.0
LEAST_S = 60.0
"""Some thousand innovations determine a noise to a few per cent; more would only take longer."""

LEAST_READINGS = 50
"""Readings of the barometer: with n of them, the standard error of a noise is 1/√(2n), here 10 %."""

SETTLE_S = 30.0
"""The first innovations depend on the initial state and not on the noise; they are not used."""

SENSED = frozenset({"height", "airspeed"})
"""The innovations of sensors. The estimator also has innovations of its assumptions about the wing."""

PLAUSIBLE_MODEL = 2.0
"""If the best fit changes the process noise by more than this factor, something else is wrong."""

PLAUSIBLE_NIS = (0.7, 1.4)
PLAUSIBLE_CORRELATION = 0.3
"""If NIS or correlation is outside these limits after the fit, sensor noise does not explain it."""


@dataclass(frozen=True, slots=True)
class FlightFit:
    """The fit, the origin of its figures, and the conditions under which they are no figures of a sensor.

    Attributes:
        baro_step_s: median time between frames with a static pressure.
        by_gnss: whether the heights are those of GNSS, in place of a barometer.
    """

    fit: Fit
    origin: dict[str, Any]
    baro_step_s: float = 0.0
    by_gnss: bool = False


def fit_noise(
    source: Source,
    path: Path,
    loaded: LoadedSettings,
    progress: Callable[[int], None] = lambda _: None,
) -> FlightFit:
    """Find the noise figures that explain a flight best.

    Args:
        source: the recording; five minutes of its flight are used.
        path: its file, for the origin and for messages.
        loaded: settings in force and the glider flown, if known; the fit starts with their noise.
        progress: called with the number of runs so far.

    Raises:
        AppError: if the recording contains too little flight, or no barometer.
        RecordingError: if the recording cannot be read.
    """
    stated_mps = loaded.settings.flight.flying_speed_mps
    flying_mps = stated_mps or learned_flying_mps(source) or FLYING_MPS
    frames = flight_frames(source, flying_mps)
    length_s = frames[-1].t_s - frames[0].t_s if frames else 0.0
    if length_s < LEAST_S + SETTLE_S:
        raise AppError(
            f"{path}: found {length_s:.0f} s of flight; expected {LEAST_S + SETTLE_S:.0f} s or more "
            f"(counted from {AFTER_TAKE_OFF_S:.0f} s after airspeed and ground speed, where recorded, first "
            f"pass {flying_mps:.3g} m/s)"
        )

    noise = noise_of(loaded.settings, source.info)

    def run(parameters: Parameters) -> Iterator[Mapping[str, Innovation]]:
        return innovations(frames, loaded.settings, loaded.glider, parameters)

    baro_s = [frame.t_s for frame in frames if frame.baro and frame.t_s - frames[0].t_s > SETTLE_S]
    enough = len(baro_s) >= LEAST_READINGS
    found = fit(run, Parameters(noise.baro_pa, noise.pitot_pa), progress) if enough else None
    if found is None:
        raise AppError(
            f"{path}: {len(baro_s)} readings of the barometer in the flight; expected {LEAST_READINGS} or "
            "more to compare with predictions"
        )
    baro = source.info.sensors.get("baro")
    return FlightFit(
        found,
        provenance(path, source.info, length_s),
        statistics.median(later - earlier for earlier, later in pairwise(baro_s)),
        by_gnss=baro is not None and baro.name == GNSS_AS_BARO,
    )


def flight_frames(source: Source, flying_mps: float = FLYING_MPS) -> list[Frame]:
    """Five minutes of flight, from `AFTER_TAKE_OFF_S` after take-off.

    With neither airspeed nor speed over ground in the recording, its first five minutes.
    """
    takeoff_s = _takeoff_s(source, flying_mps)
    from_s = -math.inf if takeoff_s is None else takeoff_s + AFTER_TAKE_OFF_S
    framer = Framer()
    found: list[Frame] = []
    for sample in source:
        for frame in framer.push(sample):
            if frame.t_s >= from_s:
                found.append(frame)
        if found and found[-1].t_s - found[0].t_s > USED_S:
            break
    return found


def _takeoff_s(source: Source, flying_mps: float) -> float | None:
    """When all speeds of the recording, through the air and over ground, have passed `flying_mps`.

    One alone is not enough: a pitot tube with an offset shows a speed at rest, and a car on the airfield has
    one over ground. Infinite if they never do; None if there is no speed.
    """
    flying_pa = impact_pa(flying_mps)
    fast: dict[type[Sample], bool] = {}
    first_s: float | None = None
    for sample in source:
        kind = type(sample)
        if isinstance(sample, Pitot):
            now = sample.impact_pa > flying_pa
        elif isinstance(sample, GnssVel):
            now = sample.speed_mps > flying_mps
        else:
            continue
        if kind not in fast:
            first_s = None  # what came before was judged without this sensor
        fast[kind] = now
        if first_s is None and all(fast.values()):
            first_s = sample.t_s
        if first_s is not None and sample.t_s > first_s + USED_S:
            break
    return (math.inf if first_s is None else first_s) if fast else None


def innovations(
    frames: Sequence[Frame], settings: Settings, glider: Glider | None, parameters: Parameters
) -> Iterator[Mapping[str, Innovation]]:
    """Run the estimator over frames as the pipeline does; yields the sensor innovations after settling."""
    setup = Setup.of(settings, glider, Noise(parameters.baro_pa, parameters.pitot_pa))
    health, calibration = HealthStage(setup), CalibrationStage(setup)
    given = estimator_settings(setup)
    estimator = Estimator(
        replace(
            given,
            noise=_with_process_noise(given.noise, parameters.model),
            energy_psd=given.energy_psd * parameters.model**2,
            learns=False,
        )
    )
    last_s: float | None = None
    for frame in frames:
        reason = reset_reason(frame, last_s)
        last_s = frame.t_s
        if reason is not None:
            health.reset(reason)
        news = estimator.update(calibration.update(health.update(frame))).diagnostics.innovations
        if frame.t_s - frames[0].t_s > SETTLE_S:
            yield {name: new for name, new in news.items() if name in SENSED}


def _with_process_noise(noise: InertialNoise, factor: float) -> InertialNoise:
    """The process noise of the filter, multiplied by a factor."""
    driving = [field.name for field in fields(noise) if field.name.endswith("_per_sqrt_s")]
    return replace(noise, **{name: getattr(noise, name) * factor for name in driving})


def doubts(found: FlightFit) -> list[str]:
    """Reasons against the use of the figures, one sentence each."""
    after = found.fit.after
    sentences = []
    if found.by_gnss:
        sentences.append(
            "there is no barometer in the recording: this is the noise of the GNSS altitude, and not a "
            "figure for [sensors.baro]"
        )
    if found.baro_step_s > SPACING_S:
        sentences.append(
            f"the heights are {found.baro_step_s:.3g} s apart: their noise contains the motion of the glider "
            f"between them and is not that of the sensor; expected at most {SPACING_S:g} s"
        )
    for name, c in found.fit.consistency_after.items():
        low, high = PLAUSIBLE_NIS
        if not low < c.nis < high or abs(c.correlation) > PLAUSIBLE_CORRELATION:
            sentences.append(
                f"{name} predictions do not fit after tuning (NIS {c.nis:.2f}, correlation "
                f"{c.correlation:+.2f}; expected {low:g} to {high:g}, and ±{PLAUSIBLE_CORRELATION:g}): "
                "the errors are not white noise; look for a lag, a leak or wrong times"
            )
    if not 1 / PLAUSIBLE_MODEL < after.model < PLAUSIBLE_MODEL:
        sentences.append(
            f"the fit multiplies the process noise of the model by {after.model:.2f}; expected "
            f"{1 / PLAUSIBLE_MODEL:g} to {PLAUSIBLE_MODEL:g}; there is no setting for it"
        )
    before = found.fit.before
    figures = f"({after.baro_pa:.2g} Pa, stated {before.baro_pa:.2g} Pa)"
    if after.baro_pa >= FAR * before.baro_pa:
        sentences.append(
            f"the barometer is {after.baro_pa / before.baro_pa:.1f} times as noisy in flight as stated "
            f"{figures}: before you use the figure, look for a cause, such as a static port in turbulent air "
            "or a wrong figure"
        )
    if before.baro_pa >= FAR * after.baro_pa:
        sentences.append(
            f"the stated noise of the barometer is {before.baro_pa / after.baro_pa:.1f} times that in flight "
            f"{figures}: the stated figure is probably wrong, or the readings were averaged"
        )
    if "airspeed" in found.fit.consistency_after:
        sentences.append(
            "gusts and pitot noise are difficult to distinguish: the noise of the pitot at rest is the safer "
            "figure"
        )
    return sentences


def write_fit(found: FlightFit, out_dir: Path) -> list[Path]:
    """Write the settings fragment and the figures; returns the new paths of the former files."""
    return write_fragment(out_dir, (SETTINGS, _settings_text(found)), (FIGURES, _figures_text(found)))


def _settings_text(found: FlightFit) -> str:
    """The settings fragment, as TOML text to copy into the settings file."""
    after = found.fit.after
    tables = {"sensors.baro": {"noise": f"{after.baro_pa:.3g} Pa"}}
    if "airspeed" in found.fit.consistency_after:
        tables["sensors.pitot"] = {"noise": f"{after.pitot_pa:.3g} Pa"}
    comment = [
        "# Sensor noise that explains a flight best: copy what you want into your settings file.",
        "# It is larger than at rest, because air and airframe also disturb the pressures.",
        *(f"# Caution: {doubt}." for doubt in doubts(found)),
    ]
    return toml_text([*comment, *as_comment(found.origin)], tables)


def _figures_text(found: FlightFit) -> str:
    """All figures with their origin, as TOML text."""
    f = found.fit
    tables: dict[str, dict[str, Any]] = {"recording": found.origin}
    for when, parameters, consistency in (
        ("before", f.before, f.consistency_before),
        ("after", f.after, f.consistency_after),
    ):
        tables[when] = {
            "baro_pa": round(parameters.baro_pa, 4),
            "pitot_pa": round(parameters.pitot_pa, 4),
            "model": round(parameters.model, 4),
        }
        for name, c in consistency.items():
            tables[f"{when}.{name}"] = {
                "count": c.count,
                "nis": round(c.nis, 4),
                "nis_by_chance_within": round(c.nis_spread, 4),
                "correlation": round(c.correlation, 4),
                "correlation_by_chance_within": round(c.correlation_spread, 4),
                "refused": round(c.refused, 4),
            }
    tables["fit"] = {"gain_per_innovation": round(f.gain, 5), "runs": f.evaluations}
    return toml_text(["# Fit of the estimator's predictions to the flight, before and after tuning."], tables)
