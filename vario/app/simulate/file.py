"""A scenario file, read and made into the flight it describes."""

from __future__ import annotations

import difflib
import math
import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

from pydantic import ValidationError

from drivers.isa import SEA_LEVEL_KGPM3
from hw_replay.simulate.air import AirMass, Atmosphere, Thermal, Wind, WindProfile
from hw_replay.simulate.airframe import QUENDEL_2, Airframe, Polar
from hw_replay.simulate.faults import Fault
from hw_replay.simulate.flight import STEPS_HZ, Scenario
from hw_replay.simulate.gust import Gust, LayeredWind
from hw_replay.simulate.sensors import AccelSensor, GyroSensor, Place, Rates
from hw_replay.simulate.suite import Errors
from vario.app.simulate.schema import ScenarioFile
from vario.app.simulate.script import ScriptError, plan_of
from vario.app.simulate.tables import TABLES, FaultTable, GustTable, PhaseTable, ThermalTable, WindLayerTable
from vario.settings.errors import Problem, SettingsError
from vario.settings.explain import explain
from vario.settings.fields import Section
from vario.settings.glider import Glider
from vario.settings.load import parse_settings, read_toml
from vario.settings.toml_text import TomlFile

LEVEL_AT_MPS = 100 / 3.6
"""Airspeed at which the fuselage of a simulated glider is level, at its reference mass: common practice."""

_Table = TypeVar("_Table", bound=Section)


@dataclass(frozen=True, slots=True)
class LoadedScenario:
    """A scenario, and what its recording says about itself.

    Attributes:
        scenario: to simulate.
        title: of the recording.
        settings_toml: settings for it: the glider and its mass, all else default.
        glider_toml: the glider file, as text; None for the built-in glider without a file.
    """

    scenario: Scenario
    title: str
    settings_toml: str
    glider_toml: str | None


def load_scenario(path: Path, seed: int | None = None) -> LoadedScenario:
    """The scenario in a file.

    Args:
        path: of the file.
        seed: instead of the one in it.

    Raises:
        SettingsError: with every problem found in it.
    """
    file = read_toml(path)
    problems: list[Problem] = []
    top = _checked(ScenarioFile, _without_tables(file), problems)
    thermals = _tables(file, "thermal", ThermalTable, problems)
    gusts = _tables(file, "gust", GustTable, problems)
    layers = _tables(file, "wind_layer", WindLayerTable, problems)
    phases = _tables(file, "phase", PhaseTable, problems)
    faults = _tables(file, "fault", FaultTable, problems)
    if top is None or problems:
        raise SettingsError(problems)
    glider_toml, glider = _glider(file, path, top)
    chosen = int(top.seed) if seed is None else seed
    try:
        wind = _wind(top, [layer for layer, _ in layers])
        plan = plan_of([phase for phase, _ in phases], [thermal.name for thermal, _ in thermals])
    except ScriptError as error:
        raise SettingsError(
            [Problem(file.name, phases[error.place][1].line((error.key,)), error.subject, error.text)]
        ) from None
    except ValueError as error:
        raise SettingsError([Problem(file.name, None, "[[wind_layer]]", str(error))]) from None
    _check_rates(file, top)
    runway_rad = top.place.runway_rad if top.start.heading_rad is None else top.start.heading_rad
    scenario = Scenario(
        airframe=_airframe(glider, top.glider.mass_kg),
        air=AirMass(
            Atmosphere(top.air.sea_level_pa, top.air.warmer),
            field_m=top.place.elevation_m,
            wind=wind,
            thermals=[Thermal(t.north_m, t.east_m, t.scale_mps, t.top_m, t.width) for t, _ in thermals],
            sink_mps=top.air.sink_mps,
            turbulence_mps=top.air.turbulence_mps,
            seed=chosen,
            gusts=[_gust(gust) for gust, _ in gusts],
        ),
        plan=plan,
        place=Place(top.place.latitude, top.place.longitude),
        seed=chosen,
        longest_s=top.longest_s,
        rates=Rates(**top.sensors.rates.model_dump()),
        truth_hz=top.truth.rate_hz,
        runway_rad=runway_rad,
        airborne=None
        if top.start.height_m is None or top.start.speed_mps is None
        else (top.start.height_m, top.start.speed_mps),
        wobble=top.unsteady,
        errors=_errors(top),
        faults=[_fault(fault) for fault, _ in faults],
        all_truth=top.truth.channels == "all",
    )
    named = 'glider = "flown.toml"\n' if glider_toml is not None else ""
    mass = "" if top.glider.mass_kg is None else f'\n[flight]\nmass = "{top.glider.mass_kg:g} kg"\n'
    return LoadedScenario(scenario, top.title, named + mass, glider_toml)


def _without_tables(file: TomlFile) -> TomlFile:
    return TomlFile(
        file.name, file.text, {key: value for key, value in file.table.items() if key not in TABLES}
    )


def _tables(
    file: TomlFile, name: str, model: type[_Table], problems: list[Problem]
) -> list[tuple[_Table, TomlFile]]:
    """Every [[name]], each with a text in which its keys stand alone, on the lines they have in the file."""
    items = file.table.get(name, [])
    if not (isinstance(items, list) and all(isinstance(item, dict) for item in items)):
        problems.append(
            Problem(file.name, file.line((name,)), name, f"expected tables, each begun by [[{name}]]")
        )
        return []
    lines = file.text.split("\n")
    heads = [i for i, line in enumerate(lines) if re.match(rf"\s*\[\[\s*{name}\s*\]\]", line)]
    found = []
    for place, item in enumerate(items):
        text = ""
        if len(heads) == len(items):
            start = heads[place] + 1
            end = next((i for i in range(start, len(lines)) if lines[i].lstrip().startswith("[")), len(lines))
            text = "\n" * start + "\n".join(lines[start:end])
        part = TomlFile(file.name, text, item)
        wrong: list[Problem] = []
        checked = _checked(model, part, wrong)
        # What is missing has no line of its own; the table it is missing from has.
        head = heads[place] + 1 if text else None
        problems += [replace(problem, line=problem.line or head) for problem in wrong]
        if checked is not None:
            found.append((checked, part))
    return found


def _checked(model: type[_Table], file: TomlFile, problems: list[Problem]) -> _Table | None:
    try:
        return model.model_validate(file.table)
    except ValidationError as error:
        problems += explain(error, file, model)
        return None


def _glider(file: TomlFile, path: Path, top: ScenarioFile) -> tuple[str | None, Glider | None]:
    if top.glider.file is None:
        return None, None
    glider_path = path.parent / top.glider.file
    if not glider_path.is_file():
        near = difflib.get_close_matches(
            glider_path.name, [p.name for p in glider_path.parent.glob("*.toml")], n=1
        )
        hint = f'; did you mean "{Path(top.glider.file).with_name(near[0]).as_posix()}"?' if near else ""
        text = (
            f"there is no file {glider_path}; expected the path of a glider file, relative to this file{hint}"
        )
        raise SettingsError(
            [Problem(file.name, file.line(("glider", "file")), f'glider.file = "{top.glider.file}"', text)]
        )
    text = read_toml(glider_path).text
    return text, parse_settings('glider = "flown.toml"\n', file.name, text, str(glider_path)).glider


def _airframe(glider: Glider | None, mass_kg: float | None) -> Airframe:
    if glider is None:
        reference, polar, area = QUENDEL_2.mass_kg, QUENDEL_2.polar, QUENDEL_2.wing_area_m2
    else:
        reference, polar, area = (
            glider.reference_mass_kg,
            Polar(*glider.polar.coefficients),
            glider.wing_area_m2,
        )
    mass = reference if mass_kg is None else mass_kg
    # At one lift coefficient, speeds and sinks grow with the root of the mass.
    root = math.sqrt(mass / reference)
    frame = Airframe(Polar(polar.a / root, polar.b, polar.c * root), mass, area)
    # The wing is set for the reference mass; the stall is where the glider file has it.
    light = Airframe(polar, reference, area)
    zero_lift = -light.alpha_scale / (SEA_LEVEL_KGPM3 * LEVEL_AT_MPS**2)
    if glider is None:
        return Airframe(frame.polar, mass, area)
    stall = zero_lift + light.alpha_scale / (SEA_LEVEL_KGPM3 * glider.limits.stall_mps**2)
    return Airframe(frame.polar, mass, area, zero_lift_rad=zero_lift, stall_rad=stall)


def _wind(top: ScenarioFile, layers: Sequence[WindLayerTable]) -> WindProfile:
    if layers:
        ordered = sorted(layers, key=lambda layer: layer.height_m)
        return LayeredWind(
            [(layer.height_m, *_towards(layer.from_rad, layer.speed_mps)) for layer in ordered]
        )
    return Wind(*_towards(top.wind.from_rad, top.wind.speed_mps), top.wind.at_m)


def _towards(from_rad: float, speed_mps: float) -> tuple[float, float]:
    return -speed_mps * math.cos(from_rad), -speed_mps * math.sin(from_rad)


def _gust(gust: GustTable) -> Gust:
    lasts_s = math.inf if gust.lasts_s is None else gust.lasts_s
    return Gust(gust.at_s, gust.rise_s, lasts_s, gust.north_mps, gust.east_mps, gust.up_mps)


def _fault(fault: FaultTable) -> Fault:
    return Fault(
        channel=fault.channel,
        kind=fault.kind,
        from_s=fault.from_s,
        until_s=math.inf if fault.until_s is None else fault.until_s,
        size=fault.size or 0.0,
        share=fault.share,
        by_s=fault.by_s or 0.0,
    )


def _errors(top: ScenarioFile) -> Errors:
    sensors = top.sensors
    accel, gyro, mount = sensors.accel, sensors.gyro, sensors.mount
    return Errors(
        baro_noise_pa=sensors.baro.noise_pa,
        baro_offset_pa=sensors.baro.offset_pa,
        baro_position_error=sensors.baro.position_error,
        pitot_noise_pa=sensors.pitot.noise_pa,
        pitot_offset_pa=sensors.pitot.offset_pa,
        pitot_lag_s=sensors.pitot.lag_s,
        pitot_position_error=sensors.pitot.position_error,
        accel_noise_mps2=accel.noise_mps2,
        accel_bias_mps2=_filled((accel.bias_x_mps2, accel.bias_y_mps2, accel.bias_z_mps2), AccelSensor.BIAS),
        gyro_noise_radps=gyro.noise_radps,
        gyro_bias_radps=_filled((gyro.bias_x_radps, gyro.bias_y_radps, gyro.bias_z_radps), GyroSensor.BIAS),
        mount_rad=_filled((mount.yaw_rad, mount.pitch_rad, mount.roll_rad), AccelSensor.MOUNT_RAD),
        gnss_delay_s=sensors.gnss.delay_s,
    )


def _filled(given: Iterable[float | None], usual: tuple[float, float, float]) -> tuple[float, float, float]:
    """The axes that are given, the others as usual."""
    x, y, z = (u if g is None else g for g, u in zip(given, usual, strict=True))
    return x, y, z


def _check_rates(file: TomlFile, top: ScenarioFile) -> None:
    problems = []
    rates: dict[tuple[str, ...], float] = {
        ("sensors", "rates", name): getattr(top.sensors.rates, f"{name}_hz")
        for name in ("imu", "baro", "pitot", "gnss", "oat")
    }
    if top.truth.rate_hz:
        rates["truth", "rate"] = top.truth.rate_hz
    for path, rate in rates.items():
        steps = STEPS_HZ / rate
        if abs(steps - round(steps)) > 1e-9:
            problems.append(
                Problem(
                    file.name,
                    file.line(path),
                    f'{".".join(path)} = "{rate:g} Hz"',
                    f"expected a rate that divides {STEPS_HZ} steps a second",
                )
            )
    if problems:
        raise SettingsError(problems)
