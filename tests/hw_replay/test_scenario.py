"""Scenario files: agreement of flight and file, and energy balance in moving air."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.isa import G0_MPS2
from drivers.samples import Pitot, Reference, Sample
from hw_replay.recording import Recording
from hw_replay.simulate.air import AirModel, Atmosphere, ThermalModel
from hw_replay.simulate.airframe import QUENDEL_2
from hw_replay.simulate.flight import Scenario, motions, simulate
from hw_replay.simulate.gust import Gust, LayeredWind
from hw_replay.simulate.plan import Phase, after, circle
from hw_replay.simulate.sensors import GeodeticOrigin
from tests.support.examples import drawn
from tests.support.scenario_files import LINE, scenario_file
from vario.app.cli import main
from vario.app.simulate.file import load_scenario

EXAMPLES = Path(__file__).parents[2] / "config" / "scenarios"


def first(samples: list[Sample], name: str) -> np.ndarray:
    return np.array([(s.t_s, s.value) for s in samples if isinstance(s, Reference) and s.name == name])


@settings(max_examples=drawn(8))
@given(
    seed=st.integers(0, 10_000),
    strengths=st.tuples(st.floats(0.0, 1.5), st.floats(1.0, 6.0)),
    gust=st.tuples(st.floats(-6, 6), st.floats(-6, 6), st.floats(-3, 3)),
    shear=st.floats(-0.02, 0.02),
    bank=st.floats(-0.8, 0.8),
)
def test_energy_balance_in_moving_air(
    seed: int, strengths: tuple[float, float], gust: tuple[float, float, float], shear: float, bank: float
) -> None:
    """Airspeed energy changes by the air's lift, drag, and air that is faster or slower from place to place.

    From Newton's law with the velocity through the air V = v − w:
    d(h + V²/2g)/dt = w_up + f·V/g − V·(dw/dt)/g, with f the specific force and w the air at the glider.
    The vario's truth is the first two terms.
    """
    turbulence, scale = strengths
    air = AirModel(
        Atmosphere(),
        field_m=400.0,
        wind=LayeredWind([(0.0, 3.0, 0.0), (2000.0, 3.0 + 2000 * shear, 5.0)]),
        thermals=[ThermalModel(150.0, 60.0, scale, 2000.0)],
        turbulence_mps=turbulence,
        seed=seed,
        gusts=[Gust(4.0, 0.8, 5.0, *gust)],
    )
    flight = Scenario(
        QUENDEL_2,
        air,
        [Phase("straight", 27.0, after(6)), Phase("circle", 27.0, after(99), circle(bank))],
        GeodeticOrigin(50.0, 10.0),
        seed=seed,
        longest_s=14.0,
        airborne=(800.0, 27.0),
    )
    flown = list(motions(flight))
    dt_s = 0.01
    wind = np.array([(n, e, -u) for n, e, u in (now.air_mps for now in flown)])  # north, east, down
    through = np.array([now.state.velocity_ned_mps for now in flown]) - wind
    power = np.array([now.air_mps[2] + now.power_mps for now in flown])
    middle = 0.5 * (through[1:] + through[:-1])
    shear_m = np.sum(middle * np.diff(wind, axis=0)) / G0_MPS2
    gained = flown[-1].energy_height_m - flown[0].energy_height_m
    assert gained == pytest.approx(np.trapezoid(power, dx=dt_s) - shear_m, abs=0.05)


@given(st.floats(0, 100), st.floats(0.05, 20), st.floats(0, 60))
def test_a_gust_is_half_a_cosine_up_and_down(at_s: float, rise_s: float, lasts_s: float) -> None:
    # MIL-F-8785C, 3.7.2.3: (1 - cos(pi x / d)) / 2.
    gust = Gust(at_s, rise_s, lasts_s)
    assert gust.share(at_s) == 0.0
    assert gust.share(at_s + lasts_s + rise_s + 1e-6) == pytest.approx(0.0, abs=1e-9)
    if lasts_s > rise_s:
        assert gust.share(at_s + rise_s / 2) == pytest.approx(0.5)
        assert gust.share(at_s + rise_s / 3) == pytest.approx(0.25)
        assert gust.share(at_s + 0.5 * (rise_s + lasts_s)) == pytest.approx(1.0)


def test_layers_of_wind_are_joined_by_straight_lines() -> None:
    heights, north = [100.0, 500.0, 1500.0], [2.0, 5.0, -3.0]
    wind = LayeredWind([(h, n, 2 * n) for h, n in zip(heights, north, strict=True)])
    for height in (0.0, 100.0, 230.0, 500.0, 900.0, 1500.0, 4000.0):
        expected = np.interp(height, heights, north)
        assert wind.velocity_mps(height) == pytest.approx((expected, 2 * expected))
    assert wind.north_mps == pytest.approx(np.trapezoid(north, heights) / 1400.0)
    with pytest.raises(ValueError, match="heights that rise"):
        LayeredWind([(500.0, 1.0, 0.0), (500.0, 2.0, 0.0)])


@pytest.mark.parametrize("name", ["thermal", pytest.param("faults", marks=pytest.mark.long)])
def test_the_examples_fly(name: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    text = (EXAMPLES / f"{name}.toml").read_text(encoding="utf-8")
    text = text.replace('longest = "20 min"', 'longest = "20 s"').replace(
        'longest = "10 min"', 'longest = "65 s"'
    )
    text = text.replace("../gliders", (EXAMPLES.parent / "gliders").as_posix())
    out = tmp_path / "out" / "flight.mcap"
    assert main(["simulate", str(scenario_file(tmp_path, text)), "--out", str(out)]) == 0
    assert "11 channels of true values" in capsys.readouterr().out
    recording = Recording(out)
    samples = list(recording)
    assert recording.info.origin == "simulated"
    assert recording.rejected() == 0
    assert recording.info.glider_toml is not None
    # The recording carries its glider, so that a replay flies it.
    assert main(["replay", str(out), "--no-picture", "--out", str(tmp_path / "replay")]) == 0
    assert "no glider file" not in capsys.readouterr().out
    if name == "faults":
        times = [s.t_s for s in samples if isinstance(s, Pitot)]
        assert max(times) < 60.0


def test_the_same_file_and_seed_give_the_same_bytes(tmp_path: Path) -> None:
    path = scenario_file(
        tmp_path, 'seed = 5\nlongest = "5 s"\n[air]\nturbulence = "1 m/s"', LINE["start"], LINE["phase"]
    )
    for out, extra in (("a", []), ("b", []), ("c", ["--seed", "6"])):
        assert main(["simulate", str(path), "--out", str(tmp_path / f"{out}.mcap"), *extra]) == 0
    a, b, c = ((tmp_path / f"{name}.mcap").read_bytes() for name in "abc")
    assert a == b
    assert a != c


def test_the_flight_follows_the_scenario_file(tmp_path: Path) -> None:
    path = scenario_file(
        tmp_path,
        'longest = "40 s"\nunsteady = 0.0',
        LINE["start"],
        '[place]\nelevation = "300 m"',
        '[truth]\nrate = "10 Hz"\nchannels = "all"',
        '[[wind_layer]]\nheight = "0 m"\nfrom = "270 deg"\nspeed = "36 km/h"',
        '[[phase]]\nname = "turn"\nspeed = "100 km/h"\nsteer = "heading"\nheading = "0 deg"',
    )
    samples = list(simulate(load_scenario(path).scenario))
    assert first(samples, "truth_altitude_m")[0, 1] == pytest.approx(1200.0, abs=1.0)
    assert first(samples, "truth_wind_east_mps")[:, 1] == pytest.approx(10.0)
    heading = first(samples, "truth_heading_rad")
    assert heading[0, 1] == pytest.approx(math.radians(270), abs=0.05)
    assert math.remainder(heading[-1, 1], math.tau) == pytest.approx(0.0, abs=0.05)
    load, climb = first(samples, "truth_load_factor"), first(samples, "truth_climb_mps")
    assert len(load) == 399  # ten a second, but for the first instant, which has no past
    assert load[-50:, 1].mean() == pytest.approx(1.0, abs=0.02)
    height = first(samples, "truth_altitude_m")
    assert np.trapezoid(climb[:, 1], climb[:, 0]) == pytest.approx(height[-1, 1] - height[0, 1], abs=0.05)


def test_sensor_errors_are_those_of_the_file(tmp_path: Path) -> None:
    quiet = '[sensors.pitot]\nnoise = "0 Pa"\nlag = "0 s"\noffset = "{}"'
    pressures = []
    for offset in ("0 Pa", "25 Pa"):
        path = scenario_file(tmp_path, 'longest = "5 s"', LINE["start"], quiet.format(offset), LINE["phase"])
        scenario = load_scenario(path).scenario
        pressures.append([s.impact_pa for s in simulate(scenario) if isinstance(s, Pitot)])
    assert np.subtract(pressures[1], pressures[0]) == pytest.approx(25.0)


def test_a_heavier_glider_has_its_polar_further_to_the_right(tmp_path: Path) -> None:
    # Speeds and sinks grow with the root of the mass: Welch and Irving, on wing loading.
    glider = (
        f'[glider]\nfile = "{(EXAMPLES.parent / "gliders" / "quendel_2.toml").as_posix()}"\nmass = "{{}} kg"'
    )
    craft = [
        load_scenario(scenario_file(tmp_path, glider.format(mass), LINE["phase"])).scenario.airframe
        for mass in (520, 650)
    ]
    root = math.sqrt(650 / 520)
    for speed in (24.0, 30.0, 45.0):
        assert craft[1].polar.sink_mps(speed * root) == pytest.approx(root * craft[0].polar.sink_mps(speed))
    # It stalls at the speed of its glider file: lift 1 at the stalling angle and 68 km/h.
    lift = (craft[0].stall_rad - craft[0].zero_lift_rad) * 1.225 * (68 / 3.6) ** 2 / craft[0].alpha_scale
    assert lift == pytest.approx(1.0, abs=1e-6)


SCRIPT = """
[[thermal]]
name = "north"
north = "1500 m"
east = "0 m"
scale = "4 m/s"
top = "2 km"
width = 1.5

[[phase]]
name = "to it"
speed = "110 km/h"
steer = "thermal"
thermal = "north"
within = "120 m"

[[phase]]
name = "in it"
speed = "92 km/h"
steer = "centre"
thermal = "north"
bank = "-40 deg"
turned = "720 deg"

[[phase]]
name = "on"
speed = "140 km/h"
faster = "130 km/h"
"""


def test_a_script_goes_through_its_phases(tmp_path: Path) -> None:
    path = scenario_file(tmp_path, 'longest = "300 s"\nunsteady = 0.0', LINE["start"], SCRIPT)
    flown = list(motions(load_scenario(path).scenario))
    heading = np.unwrap([now.euler_rad()[0] for now in flown])
    assert heading[-1] - heading.max() < -1.8 * math.tau  # two turns to the left
    assert flown[-1].tas_mps > 130 / 3.6
    assert len(flown) < 30_000  # over before its longest time, since the script was
    bank = [math.degrees(now.euler_rad()[2]) for now in flown]
    assert min(bank) < -35
