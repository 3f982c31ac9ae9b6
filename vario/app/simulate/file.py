"""Read a scenario file and build the simulation that it describes."""

from __future__ import annotations

import re
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TypeVar

from pydantic import ValidationError

from hw_replay.simulate.air import AirModel, Atmosphere, PowerLawWind, WindProfile
from hw_replay.simulate.flight import STEPS_HZ, Scenario
from hw_replay.simulate.plan import Phase
from hw_replay.simulate.sensors import GeodeticOrigin, Rates
from vario.app.simulate.parts import airframe_of, errors_of, fault_of, gust_of, thermal_of, wind_of
from vario.app.simulate.schema import ScenarioFile
from vario.app.simulate.script import plan_of
from vario.app.simulate.tables import TABLES, FaultTable, GustTable, PhaseTable, ThermalTable, WindLayerTable
from vario.settings.errors import Problem, SettingsError
from vario.settings.explain import explain
from vario.settings.fields import Section
from vario.settings.glider import Glider
from vario.settings.load import parse_settings
from vario.settings.read import no_glider, read_toml
from vario.settings.toml_text import TomlFile

_Table = TypeVar("_Table", bound=Section)


@dataclass(frozen=True, slots=True)
class LoadedScenario:
    """A scenario, and the metadata of its recording.

    Attributes:
        scenario: the scenario to simulate.
        title: title of the recording.
        settings_toml: settings for the recording: the glider and its mass; all others are defaults.
        glider_toml: text of the glider file; None for the built-in glider.
    """

    scenario: Scenario
    title: str
    settings_toml: str
    glider_toml: str | None


def load_scenario(path: Path, seed: int | None = None) -> LoadedScenario:
    """Load the scenario of a file.

    Args:
        path: the scenario file.
        seed: seed to use instead of the one in the file.

    Raises:
        SettingsError: with every problem found in the file.
    """
    file = read_toml(path)
    problems: list[Problem] = []
    thermals = _tables(file, "thermal", ThermalTable, problems)
    phases = _tables(file, "phase", PhaseTable, problems)
    plan = [] if problems else _plan(file, phases, thermals, problems)
    top = _checked(ScenarioFile, _without_tables(file), problems)
    gusts = _tables(file, "gust", GustTable, problems)
    layers = _tables(file, "wind_layer", WindLayerTable, problems)
    faults = _tables(file, "fault", FaultTable, problems)
    if top is None:
        raise SettingsError(_by_line(problems))
    glider_toml, glider = _glider(file, path, top, problems)
    _check_rates(file, top, problems)
    wind = _wind(file, top, [layer for layer, _ in layers], problems)
    if problems:
        raise SettingsError(_by_line(problems))
    chosen = top.seed if seed is None else seed
    scenario = Scenario(
        airframe=airframe_of(glider, top.glider.mass_kg),
        air=AirModel(
            Atmosphere(top.air.sea_level_pa, top.air.warmer),
            field_m=top.place.elevation_m,
            wind=wind,
            thermals=[thermal_of(thermal) for thermal, _ in thermals],
            sink_mps=top.air.sink_mps,
            turbulence_mps=top.air.turbulence_mps,
            seed=chosen,
            gusts=[gust_of(gust) for gust, _ in gusts],
        ),
        plan=plan,
        place=GeodeticOrigin(top.place.latitude, top.place.longitude),
        seed=chosen,
        longest_s=top.longest_s,
        rates=Rates(**top.sensors.rates.model_dump()),
        truth_hz=top.truth.rate_hz,
        runway_rad=top.place.runway_rad,
        heading_rad=top.start.heading_rad,
        airborne=None
        if top.start.height_m is None or top.start.speed_mps is None
        else (top.start.height_m, top.start.speed_mps),
        wobble=top.unsteady,
        errors=errors_of(top),
        faults=[fault_of(fault) for fault, _ in faults],
        all_truth=top.truth.channels == "all",
    )
    named = 'glider = "flown.toml"\n' if glider_toml is not None else ""
    mass = "" if top.glider.mass_kg is None else f'\n[flight]\nmass = "{top.glider.mass_kg:g} kg"\n'
    return LoadedScenario(scenario, top.title, named + mass, glider_toml)


def _by_line(problems: Iterable[Problem]) -> list[Problem]:
    """Sort the problems by line. Problems without a line come first, those of another file last."""
    found = list(problems)
    names = list(dict.fromkeys(problem.file for problem in found))
    return sorted(found, key=lambda problem: (names.index(problem.file), problem.line or 0))


def _plan(
    file: TomlFile,
    phases: Sequence[tuple[PhaseTable, TomlFile]],
    thermals: Sequence[tuple[ThermalTable, TomlFile]],
    problems: list[Problem],
) -> list[Phase]:
    names = [thermal.name for thermal, _ in thermals]
    for place, (thermal, part) in enumerate(thermals):
        if thermal.name in names[:place]:
            subject = f'name = "{thermal.name}"'
            text = "another thermal has this name; expected a unique name"
            problems.append(Problem(file.name, part.line(("name",)), subject, text))
    plan, wrong = plan_of([phase for phase, _ in phases], names)
    for error in wrong:
        line = phases[error.place][1].line((error.key,))
        problems.append(Problem(file.name, line, error.subject, error.text))
    return plan


def _wind(
    file: TomlFile, top: ScenarioFile, layers: Sequence[WindLayerTable], problems: list[Problem]
) -> WindProfile:
    try:
        return wind_of(top, layers)
    except ValueError as error:
        problems.append(Problem(file.name, None, "[[wind_layer]]", str(error)))
        return PowerLawWind()


def _without_tables(file: TomlFile) -> TomlFile:
    return TomlFile(
        file.name, file.text, {key: value for key, value in file.table.items() if key not in TABLES}
    )


def _tables(
    file: TomlFile, name: str, model: type[_Table], problems: list[Problem]
) -> list[tuple[_Table, TomlFile]]:
    """Every table [[name]], with a text that contains only its keys, on the same lines as in the file."""
    items = file.table.get(name, [])
    if not (isinstance(items, list) and all(isinstance(item, dict) for item in items)):
        problems.append(
            Problem(file.name, file.line((name,)), name, f"expected tables that each begin with [[{name}]]")
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
        # A missing key has no line; use the line of the head of its table.
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


def _glider(
    file: TomlFile, path: Path, top: ScenarioFile, problems: list[Problem]
) -> tuple[str | None, Glider | None]:
    """The glider file of the scenario, as text and as parsed; both None without one."""
    if top.glider.file is None:
        return None, None
    glider_path = path.parent / top.glider.file
    if not glider_path.is_file():
        problems.append(no_glider(file, ("glider", "file"), glider_path))
        return None, None
    try:
        text = read_toml(glider_path).text
        return text, parse_settings('glider = "flown.toml"\n', file.name, text, str(glider_path)).glider
    except SettingsError as error:
        problems += error.problems
        return None, None


def _check_rates(file: TomlFile, top: ScenarioFile, problems: list[Problem]) -> None:
    rates: dict[tuple[str, ...], float] = {
        ("sensors", "rates", name): getattr(top.sensors.rates, f"{name}_hz")
        for name in ("imu", "baro", "pitot", "gnss", "oat")
    }
    if top.truth.rate_hz:
        rates["truth", "rate"] = top.truth.rate_hz
    for path, rate in rates.items():
        steps = STEPS_HZ / rate
        if abs(steps - round(steps)) > 1e-9:
            subject = f'{".".join(path)} = "{rate:g} Hz"'
            text = f"expected a rate that divides {STEPS_HZ} steps per second"
            problems.append(Problem(file.name, file.line(path), subject, text))
