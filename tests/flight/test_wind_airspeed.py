"""A wrong airspeed is detected, reported and corrected, without a false vario during the correction.

Sources: pressure height and impact pressure by the standard atmosphere (ISO 2533); V²/2g for the energy of
speed, whose rate V·V̇/g is what a change of the correction would read as.
"""

from __future__ import annotations

import math
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers import isa
from drivers.samples import Baro, GnssVel, Oat, Pitot, Sample
from vario.app.outputs.summary import airspeed_corrected
from vario.app.replay.player import play
from vario.flight.inputs.airspeed import BOUNDS, LEAST_OFF_NO_OAT, RATE_PER_S, STEADY_S, AirspeedStage
from vario.flight.inputs.frames import Frame
from vario.flight.inputs.health import Inputs
from vario.flight.inputs.quality import Quality
from vario.flight.motion.energy import Noise
from vario.flight.pipeline import Pipeline
from vario.flight.reading import Reading
from vario.flight.setup import Setup
from vario.flight.wind.stage import Wind
from vario.settings.schema import Settings


def wind(scale: float, sigma: float = 0.005) -> Wind:
    return Wind(3.0, 1.0, 5.0, 0.2, airspeed_scale=scale, airspeed_scale_sigma=sigma)


def frame(t_s: float, *, oat: bool = True, impact_pa: float = 400.0) -> Inputs:
    frame = Frame(t_s, 0.1, pitot=(Pitot(t_s, impact_pa),), oat=(Oat(t_s, 288.15),) if oat else ())
    return Inputs(frame, has_baro=True, has_pitot=True, has_imu=False, has_gnss=True)


def after(stage: AirspeedStage, known: Wind | None, seconds: float, *, oat: bool = True) -> float:
    for i in range(round(seconds * 10)):
        stage.correct(frame(0.1 * i, oat=oat))
        stage.learn(known, 0.1)
    return stage.scale


def test_ten_percent_high_is_corrected_to_the_last_of_it() -> None:
    stage = AirspeedStage(Setup())
    assert after(stage, wind(1 / 1.1), STEADY_S - 1.0) == 1.0
    assert after(stage, wind(1 / 1.1), 300.0) == pytest.approx(1 / 1.1)
    pitot = stage.correct(frame(1.0, impact_pa=isa.impact_pa(33.0))).frame.pitot[0]
    assert isa.cas_mps(pitot.impact_pa) == pytest.approx(30.0, abs=0.02)
    assert stage.measured_mps(30.0) == pytest.approx(33.0)
    assert stage.measured_mps(None) is None


@pytest.mark.parametrize(
    "known",
    [
        None,
        Wind(3.0, 1.0, 5.0, 0.2),
        wind(1.01, 0.002),
        wind(1.05, 0.0126),
        wind(0.91, 0.02),
        wind(1.024, 0.0099),
    ],
)
def test_what_is_not_known_or_not_clear_is_left_alone(known: Wind | None) -> None:
    assert after(AirspeedStage(Setup()), known, 200.0) == 1.0


def test_warm_air_is_not_put_down_to_the_sensor() -> None:
    """TAS = EAS·√(ρ0/ρ): air 20 K warmer than assumed flies 3.4 % faster than a standard one shows."""
    warm = math.sqrt((288.15 + 20.0) / 288.15)
    assert warm == pytest.approx(1.034, abs=1e-3)
    assert warm - 1.0 < LEAST_OFF_NO_OAT
    assert after(AirspeedStage(Setup()), wind(warm), 200.0, oat=False) == 1.0
    assert after(AirspeedStage(Setup()), wind(warm), 200.0, oat=True) == pytest.approx(warm)
    assert after(AirspeedStage(Setup()), wind(0.91), 400.0, oat=False) == pytest.approx(0.91)


@given(st.floats(0.3, 3.0), st.floats(0.0, 60.0))
def test_never_beyond_its_bounds_nor_faster_than_it_may(scale: float, seconds: float) -> None:
    stage = AirspeedStage(Setup())
    found = after(stage, wind(scale), seconds)
    assert BOUNDS[0] <= found <= BOUNDS[1]
    assert abs(found - 1.0) <= RATE_PER_S * (seconds + 0.1)


def test_a_change_of_the_correction_is_hardly_lift() -> None:
    """V²·ṡ/g: 0.05 m/s at 30 m/s, below 0.2 m/s at any speed a glider flies."""
    lift_mps = 30.0**2 * RATE_PER_S / isa.G0_MPS2
    assert lift_mps == pytest.approx(0.046, abs=1e-3)
    assert 60.0**2 * RATE_PER_S / isa.G0_MPS2 < 0.2


def _circling(seconds: float, read: float) -> Iterator[Sample]:
    """Circles at 30 m/s and 1000 m in 5 m/s of wind, not sinking; the pitot reads `read` times that."""
    static_pa = isa.pressure_pa(1000.0)
    air_k = isa.temperature_k(1000.0)
    impact_pa = isa.impact_of_tas_pa(30.0 * read, static_pa, air_k)
    yield Oat(0.0, air_k)
    for i in range(round(seconds * 50)):
        t_s = i / 50 + 0.001
        alive_pa = 1e-3 * (i % 3)  # a sensor that repeats itself to the last digit hangs
        yield Baro(t_s, static_pa + alive_pa)
        yield Pitot(t_s, impact_pa + alive_pa)
        if i % 10 == 0:
            heading = 0.25 * t_s
            yield GnssVel(t_s, 30.0 * math.cos(heading) - 4.0, 30.0 * math.sin(heading) + 3.0, 0.0)


@pytest.fixture(scope="module")
def readings() -> list[Reading]:
    return list(play(_circling(330.0, 1.1), Pipeline(Settings(), None, Noise(1.2, 0.5))))


@pytest.mark.long
def test_the_pipeline_finds_and_corrects_it(readings: list[Reading]) -> None:
    first, last = readings[50], readings[-1]
    assert Quality.AIRSPEED_CORRECTED not in first.quality
    assert first.energy.tas_mps == pytest.approx(33.0, abs=0.05)
    assert Quality.AIRSPEED_CORRECTED in last.quality
    assert last.energy.tas_mps == pytest.approx(30.0, abs=0.3)
    assert last.wind is not None
    assert (last.wind.north_mps, last.wind.east_mps) == pytest.approx((-4.0, 3.0), abs=0.2)
    assert last.wind.airspeed_scale == pytest.approx(1 / 1.1, abs=0.01)


@pytest.mark.long
def test_no_false_lift_while_it_is_corrected(readings: list[Reading]) -> None:
    """There is no climb or sink here: any value of the vario is an error."""
    settled = [r for r in readings if r.t_s > 20.0]
    assert {r.airspeed_correction == 1.0 for r in settled} == {True, False}
    assert max(abs(r.energy.vario_mps or 0.0) for r in settled) < 0.1
    assert all(r.energy.vario_mps is not None for r in settled)


def test_the_scale_of_the_airspeed_is_in_the_summary() -> None:
    assert airspeed_corrected(1 / 1.1) == "the airspeed reads 10 % high against GNSS; corrected"
    assert airspeed_corrected(1.05) == "the airspeed reads 5 % low against GNSS; corrected"


def test_a_thermometer_that_has_died_explains_nothing_any_more() -> None:
    """An airspeed 4 % low may be warm air again, once the temperature is as old as the estimate keeps it."""
    stage = AirspeedStage(Setup())
    after(stage, None, 1.0)
    assert after(stage, wind(1.04), STEADY_S + 200.0, oat=False) == pytest.approx(1.04, abs=0.005)
    assert after(stage, wind(1.04), 700.0, oat=False) == 1.0
