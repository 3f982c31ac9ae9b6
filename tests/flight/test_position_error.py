"""Position error of a static port: its effect on height, airspeed and vario, its calibration and correction.

The model is that of W. Gracey, Measurement of Aircraft Speed and Altitude, NASA RP-1046 (1980; from memory):
a static port reads p + k·q. From it follow, in closed form and without any of the code tested,

    measured impact pressure  q·(1 − k)
    measured height           H − k·q/(ρ·g)                =  H − k·V²/2g at low speed
    factor of the airspeed    1/√(1 − k)
    factor of V²/2g with which total energy is conserved   (1 + k)/(1 − k), if both sensors are on that port
"""

from __future__ import annotations

import argparse
import math
import tomllib
from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from ambiance import Atmosphere as GeneralAtmosphere
from hypothesis import given
from hypothesis import strategies as st

from drivers.isa import G0_MPS2
from drivers.samples import Baro, Pitot, Sample
from hw_replay.simulate import simulate
from hw_replay.simulate.plan import Phase
from hw_replay.simulate.suite import Errors
from hw_replay.source import RecordingInfo
from hw_replay.writer import RecordingWriter
from tests.support.calibration_run import PULL_UPS, TRIANGLE
from tests.support.plain_flights import begun_in_the_air
from vario.app.calibrate.command import add_parser
from vario.app.calibrate.legs import position_error
from vario.app.calibrate.pull_up import energy_check
from vario.app.calibrate.series import corrected_pressures
from vario.app.errors import AppError
from vario.app.replay.player import play
from vario.flight.inputs.calibration import CalibrationStage, Pressures
from vario.flight.inputs.frames import Frame
from vario.flight.inputs.health import Inputs
from vario.flight.motion.energy import Noise
from vario.flight.pipeline import Pipeline
from vario.flight.reading import Reading
from vario.flight.setup import Setup
from vario.settings.load import parse_settings
from vario.settings.schema import Settings

ZEROED = {"baro_offset_pa": 0.0, "pitot_offset_pa": 0.0, "pitot_lag_s": 0.0}


def in_force(baro: float = 0.0, pitot: float = 0.0) -> Settings:
    text = f"[sensors.baro]\nposition_error = {baro}\n[sensors.pitot]\nposition_error = {pitot}\n"
    return parse_settings(text, "in force").settings


def flown(
    plan: list[Phase], speed_kmh: float, seconds: float, baro: float = 0.0, pitot: float = 0.0
) -> list[Sample]:
    """A simulated flight in still air with position errors; the only other errors are noise."""
    errors = Errors(**ZEROED, baro_position_error=baro, pitot_position_error=pitot)
    scenario = begun_in_the_air(plan, speed_kmh, seconds, errors=errors)
    return list(simulate(scenario))


@cache
def triangle(baro: float = 0.0, pitot: float = 0.0) -> list[Sample]:
    return flown(TRIANGLE, 110, 135.0, baro, pitot)


def pull_ups(baro: float = 0.0, pitot: float = 0.0) -> list[Sample]:
    return flown(PULL_UPS, 110, 220.0, baro, pitot)


@given(st.floats(50_000.0, 105_000.0), st.floats(0.0, 4000.0), st.floats(-0.2, 0.2), st.floats(-0.2, 0.2))
def test_what_the_ports_add_is_taken_out_again(
    static_pa: float, impact_pa: float, k_baro: float, k_pitot: float
) -> None:
    pressures = Pressures(in_force(k_baro, k_pitot).sensors)
    assert pressures.pitot(Pitot(1.0, impact_pa * (1.0 - k_pitot))).impact_pa == pytest.approx(impact_pa)
    found = pressures.baro(Baro(1.0, static_pa + k_baro * impact_pa)).static_pa
    assert found == pytest.approx(static_pa, rel=1e-9)


def test_the_flight_logic_takes_it_out_of_every_frame_and_keeps_the_last_when_the_airspeed_goes() -> None:
    stage = CalibrationStage(Setup(in_force(0.05, 0.05)))

    def frame(static_pa: float, *impact_pa: float) -> Frame:
        pitot = tuple(Pitot(1.0, q) for q in impact_pa)
        return stage.update(
            Inputs(Frame(1.0, 0.02, (Baro(1.0, static_pa),), pitot), True, True, True, True, True)
        ).frame

    whole = frame(90_000.0 + 0.05 * 600.0, 0.95 * 600.0)
    assert whole.pitot[0].impact_pa == pytest.approx(600.0)
    assert whole.baro[0].static_pa == pytest.approx(90_000.0)
    assert frame(90_030.0).baro[0].static_pa == pytest.approx(90_000.0)


@pytest.mark.parametrize("k", [-0.08, pytest.param(0.05, marks=pytest.mark.long)])
def test_runs_against_gnss_find_it(k: float) -> None:
    found = position_error(triangle(k, k))
    # The factor goes with the root of the pressure; 1 % of the airspeed, 1 km/h, is 2 % of the pressure.
    assert found.figures["airspeed"]["factor"] == pytest.approx(1.0 / math.sqrt(1.0 - k), abs=0.01)
    assert found.figures["airspeed"]["position_error"] == pytest.approx(k, abs=0.02)
    written = {section: values["position_error"] for section, values in found.settings.items()}
    assert written == {"sensors.pitot": written["sensors.baro"], "sensors.baro": pytest.approx(k, abs=0.02)}


def test_found_again_with_half_of_it_in_force_it_is_the_same() -> None:
    samples = triangle(-0.08, -0.08)
    settings = in_force(-0.04, -0.04)
    first = position_error(samples).figures["airspeed"]["position_error"]
    again = position_error(corrected_pressures(samples, settings.sensors), -0.04)
    assert again.figures["airspeed"]["position_error"] == pytest.approx(first, abs=0.001)


@pytest.mark.long
def test_an_error_no_static_port_has_is_refused() -> None:
    half = [Pitot(s.t_s, s.impact_pa * 0.6) if isinstance(s, Pitot) else s for s in triangle()]
    with pytest.raises(AppError, match="20% or less for a static port"):
        position_error(half)


@pytest.mark.long
@pytest.mark.parametrize("k", [-0.06, 0.06])
def test_pull_ups_show_it_and_the_correction_suggested_makes_them_neutral(k: float) -> None:
    samples = pull_ups(k, k)
    found = energy_check(samples)
    assert found.figures["energy"]["factor"] == pytest.approx((1.0 + k) / (1.0 - k), abs=0.03)
    # With the correct airspeed, only the error of the barometer remains.
    airspeed = in_force(0.0, k)
    found = energy_check(corrected_pressures(samples, airspeed.sensors))
    assert found.settings["sensors.baro"]["position_error"] == pytest.approx(k, abs=0.03)
    suggested = in_force(found.settings["sensors.baro"]["position_error"], k)
    after_it = energy_check(
        corrected_pressures(samples, suggested.sensors), suggested.sensors.baro.position_error
    )
    assert after_it.figures["energy"]["factor"] == pytest.approx(1.0, abs=0.005)
    assert after_it.said[1] == "The total energy is well compensated."
    assert after_it.settings == {}


def instrument(samples: list[Sample], settings: Settings) -> list[Reading]:
    first_80_s = (sample for sample in samples if sample.t_s < 80.0)
    return list(play(first_80_s, Pipeline(settings, None, Noise(1.5, 0.8))))


def column(readings: list[Reading], name: str) -> np.ndarray:
    values = (getattr(reading.energy, name) for reading in readings)
    return np.array([math.nan if value is None else value for value in values])


@pytest.mark.long
def test_the_instrument_shows_the_true_values_again() -> None:
    """The same flight three times: without position errors, with them, and with their correction."""
    k = 0.06
    spoilt = pull_ups(k, k)
    true = instrument(pull_ups(), in_force())
    wrong = instrument(spoilt, in_force())
    right = instrument(spoilt, in_force(k, k))
    late = slice(len(true) // 3, None)
    ias, height, vario = (
        {
            name: column(readings, field)[late]
            for name, readings in (("true", true), ("wrong", wrong), ("right", right))
        }
        for field in ("ias_mps", "altitude_m", "vario_mps")
    )
    # Pull-ups with this error contradict the inertial unit: nothing is shown until it is known what is wrong.
    assert np.isnan(ias["wrong"]).mean() < 0.35
    assert np.nanmedian(ias["wrong"] / ias["true"]) == pytest.approx(math.sqrt(1.0 - k), abs=0.003)
    assert np.max(np.abs(ias["right"] - ias["true"])) < 0.3
    # The height is low by k·V²/2g, V being the true airspeed; density from the library ambiance.
    density = float(GeneralAtmosphere(2200.0).density[0])
    low_m = k * 0.5 * 1.225 * ias["true"] ** 2 / density / G0_MPS2
    assert np.nanmedian(height["wrong"] - height["true"] + low_m) == pytest.approx(0.0, abs=0.6)
    assert np.max(np.abs(height["right"] - height["true"])) < 0.5
    # In still air the vario is the glider's sink; a tenth of V²/2g more or less in ten seconds shows.
    off = {
        name: float(np.sqrt(np.nanmean((vario[name] - vario["true"]) ** 2))) for name in ("wrong", "right")
    }
    assert off["right"] < 0.1
    assert off["wrong"] > 3.0 * off["right"]
    assert all(before.t_s < after_.t_s for before, after_ in pairwise(right))


@pytest.mark.long
def test_both_ways_put_it_into_the_settings_file(tmp_path: Path) -> None:
    parser = argparse.ArgumentParser()
    add_parser(parser.add_subparsers())
    config = tmp_path / "my.toml"
    config.write_text('[sensors.baro]\nchip = "MS5611" # the good one\n', encoding="utf-8")
    for way, samples in (("airspeed", triangle(0.1, 0.06)), ("total-energy", pull_ups(0.1, 0.06))):
        file = tmp_path / f"{way}.mcap"
        with RecordingWriter(file, RecordingInfo("calm", "live")) as writer:
            for sample in samples:
                writer.write(sample)
        words = ["calibrate", way, str(file), "--config", str(config), "--out", str(tmp_path / "out")]
        arguments = parser.parse_args([*words, "--apply", str(config)])
        assert arguments.command(arguments) == 0
    sensors = tomllib.loads(config.read_text(encoding="utf-8"))["sensors"]
    assert sensors["pitot"]["position_error"] == pytest.approx(0.06, abs=0.02)
    # The second calibration distinguishes them: the barometer has a separate port.
    assert sensors["baro"]["position_error"] == pytest.approx(0.1, abs=0.03)
    assert sensors["baro"]["chip"] == "MS5611"
    assert (tmp_path / "my.toml.2").exists()
