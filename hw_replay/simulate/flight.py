"""A simulated flight as a stream of samples, computed while it is read."""

from __future__ import annotations

import heapq
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from drivers.isa import SEA_LEVEL_KGPM3
from drivers.samples import Reference, Sample
from hw_replay.simulate.air import AirModel
from hw_replay.simulate.airframe import Airframe
from hw_replay.simulate.faults import Fault, inject
from hw_replay.simulate.glider import GliderModel, GliderState, Motion, PilotInput
from hw_replay.simulate.pilot import TAIL_DOWN_RAD, Pilot
from hw_replay.simulate.plan import Phase
from hw_replay.simulate.rotation import from_euler
from hw_replay.simulate.sensors import GeodeticOrigin, Rates, SensorModel
from hw_replay.simulate.suite import Errors, suite
from hw_replay.source import SensorInfo

STEPS_HZ = 100
"""Steps of the simulation per second."""


@dataclass(frozen=True, slots=True)
class Scenario:
    """All inputs of a simulated flight. The same scenario gives the same samples.

    Attributes:
        airframe: the glider.
        air: the air mass.
        plan: the phases of the flight.
        place: position of the field.
        seed: seed of the sensor noise and of the random errors of the pilot.
        longest_s: latest end of the flight; the plan may end before.
        rates: rates of the sensors.
        truth_hz: rate of the true values, `Reference` samples named `truth_…`; 0: none.
        runway_rad: heading on the ground.
        airborne: None: start at rest on the field; otherwise height above the field, m, and indicated
            airspeed, m/s, of a start in the air.
        heading_rad: initial heading; None: that of the runway.
        wobble: size of the random errors of the pilot; 1 is human.
        errors: errors of the sensors.
        faults: faults of the sensors.
        all_truth: whether the true values include every channel, or only the usual ones.
    """

    airframe: Airframe
    air: AirModel
    plan: Sequence[Phase]
    place: GeodeticOrigin
    seed: int = 1
    longest_s: float = 7200.0
    rates: Rates = field(default_factory=Rates)
    truth_hz: float = 5.0
    runway_rad: float = 0.0
    airborne: tuple[float, float] | None = None
    heading_rad: float | None = None
    wobble: float = 1.0
    errors: Errors = field(default_factory=Errors)
    faults: Sequence[Fault] = ()
    all_truth: bool = False


def sensors_of(scenario: Scenario) -> dict[str, SensorInfo]:
    """Sensor metadata for a recording of the scenario, by channel name."""
    return {sensor.channel: sensor.info for sensor in _suite(scenario)}


def _suite(scenario: Scenario) -> list[SensorModel]:
    return suite(scenario.rates, scenario.seed, scenario.air.atmosphere, scenario.place, scenario.errors)


def simulate(scenario: Scenario) -> Iterator[Sample]:
    """The samples of a flight in order of arrival, which is the order of time except for faults.

    Memory use does not depend on the length of the flight.

    Raises:
        ValueError: if a rate does not divide the steps of the simulation.
    """
    if not scenario.faults:
        return _sound(scenario)
    noise = {sensor.channel: sensor.noise for sensor in _suite(scenario)}
    return inject(_sound(scenario), scenario.faults, noise, scenario.seed)


def _sound(scenario: Scenario) -> Iterator[Sample]:
    """The samples of a flight without faults, in order of time."""
    sensors = _suite(scenario)
    every = [(_every(sensor.rate_hz, sensor.channel), sensor) for sensor in sensors]
    truth_every = _every(scenario.truth_hz, "truth") if scenario.truth_hz else 0
    waiting: list[tuple[float, int, Sample]] = []
    order = 0
    before: Motion | None = None
    for step, now in enumerate(motions(scenario)):
        t_s = now.state.t_s
        for due, sensor in every:
            if step % due == 0:
                stamp = round(t_s + sensor.delay_s, 6)
                order += 1
                heapq.heappush(waiting, (stamp, order, sensor.measure(now, stamp)))
        if truth_every and step % truth_every == 0 and before is not None:
            for sample in truth(before, now, everything=scenario.all_truth):
                order += 1
                heapq.heappush(waiting, (t_s, order, sample))
        while waiting and waiting[0][0] <= t_s:
            yield heapq.heappop(waiting)[2]
        before = now
    while waiting:
        yield heapq.heappop(waiting)[2]


def motions(scenario: Scenario) -> Iterator[Motion]:
    """The motion of the glider, `STEPS_HZ` times per second."""
    dt_s = 1.0 / STEPS_HZ
    glider = GliderModel(scenario.airframe, scenario.air)
    pilot = Pilot(
        scenario.plan,
        glider,
        runway_rad=scenario.runway_rad,
        heading_rad=_first_heading_rad(scenario),
        dt_s=dt_s,
        seed=scenario.seed,
        wobble=scenario.wobble,
    )
    state = _start(scenario)
    controls = PilotInput(
        pitch_rad=TAIL_DOWN_RAD,
        bank_rad=scenario.plan[0].ground_bank_rad,
        heading_rad=scenario.runway_rad,
    )
    for _ in range(math.ceil(scenario.longest_s * STEPS_HZ)):
        now = glider.motion(state, controls)
        yield now
        controls = pilot.controls(now)
        if pilot.finished:
            return
        state = glider.step(now, controls, dt_s)


def truth(before: Motion, now: Motion, *, everything: bool = False) -> Iterator[Reference]:
    """The true values at one time; `before` is the motion one step earlier.

    `truth_energy_rate_mps` is the rate of change of the energy height h + V²/2g, with horizontal gusts.
    `truth_vario_mps` does not contain them: it is the vertical velocity of the air plus tow minus drag, which
    is the long-term gain. `truth_airbrakes` comes first, because it says how to read the others.
    """
    state = now.state
    t_s = state.t_s
    heading_rad, pitch_rad, bank_rad = now.euler_rad()
    energy_rate = (now.energy_height_m - before.energy_height_m) / (t_s - before.state.t_s)
    north_mps, east_mps, up_mps = now.air_mps
    for name, value in (
        ("truth_airbrakes", now.airbrakes),
        ("truth_altitude_m", state.height_m),
        ("truth_tas_mps", now.tas_mps),
        ("truth_energy_rate_mps", energy_rate),
        ("truth_vario_mps", up_mps + now.power_mps),
        ("truth_netto_mps", up_mps),
        ("truth_heading_rad", heading_rad),
        ("truth_pitch_rad", pitch_rad),
        ("truth_bank_rad", bank_rad),
        ("truth_wind_north_mps", north_mps),
        ("truth_wind_east_mps", east_mps),
    ):
        yield Reference(t_s, name, round(value, 4))
    if everything:
        yield from _more_truth(now)


def _more_truth(now: Motion) -> Iterator[Reference]:
    state = now.state
    roll, pitch, yaw = now.rate_radps
    for name, value in (
        ("truth_climb_mps", -state.velocity_ned_mps[2]),
        ("truth_north_m", state.north_m),
        ("truth_east_m", state.east_m),
        ("truth_north_mps", state.velocity_ned_mps[0]),
        ("truth_east_mps", state.velocity_ned_mps[1]),
        ("truth_angle_of_attack_rad", now.alpha_rad),
        ("truth_sideslip_rad", now.beta_rad),
        ("truth_load_factor", now.load),
        ("truth_drag_sink_mps", now.drag_sink_mps),
        ("truth_roll_rate_radps", roll),
        ("truth_pitch_rate_radps", pitch),
        ("truth_yaw_rate_radps", yaw),
    ):
        yield Reference(state.t_s, name, round(value, 4))


def _first_heading_rad(scenario: Scenario) -> float:
    return scenario.runway_rad if scenario.heading_rad is None else scenario.heading_rad


def _start(scenario: Scenario) -> GliderState:
    field_m = scenario.air.field_m
    heading = _first_heading_rad(scenario)
    if scenario.airborne is None:
        first = scenario.plan[0]
        attitude = from_euler(heading, TAIL_DOWN_RAD, first.ground_bank_rad)
        return GliderState(0.0, 0.0, 0.0, field_m - 0.04, (0.0, 0.0, 0.0), attitude)
    above_m, indicated_mps = scenario.airborne
    height_m = field_m + above_m
    density = scenario.air.atmosphere.density_kgpm3(height_m)
    tas = indicated_mps * math.sqrt(SEA_LEVEL_KGPM3 / density)
    craft = scenario.airframe
    alpha = craft.zero_lift_rad + craft.alpha_scale / (density * tas * tas)
    w_n, w_e, w_u = scenario.air.velocity_mps(0.0, 0.0, 0.0, height_m)
    velocity = (tas * math.cos(heading) + w_n, tas * math.sin(heading) + w_e, -w_u)
    return GliderState(0.0, 0.0, 0.0, height_m, velocity, from_euler(heading, alpha, 0.0))


def _every(rate_hz: float, name: str) -> int:
    steps = STEPS_HZ / rate_hz
    if steps < 1 or abs(steps - round(steps)) > 1e-9:
        raise ValueError(f"{name}: a rate of {rate_hz:g} Hz does not divide {STEPS_HZ} steps a second")
    return round(steps)
