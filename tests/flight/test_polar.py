"""Polar, turning polar and speed to fly against published figures and closed forms.

Sources:
* Three polar points (31 kt 1.6, 42 kt 1.9, 62 kt 3.2 kt) as an example for arithmetic, from a public tutorial
  on polars; the fit's figures follow from the closed forms of a quadratic.
* Turn table: A. and L. Welch, F. Irving, The Complete Soaring Pilot's Handbook.
* MacCready condition: P. MacCready, Soaring 1954.
* Ballast: FAA-H-8083-13A, ch. 5: the best glide ratio stays, at a higher speed.
"""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar

from drivers import isa
from tests.support.example_polars import CLUB, KMH, LIMITS, POLARS, TRAINER, energy_at
from tests.support.setups import setup
from vario.flight.core.polar import QuadraticPolar
from vario.flight.cruise.airmass import Airmass
from vario.flight.cruise.speed_to_fly import STALL_MARGIN, SpeedToFlyStage
from vario.flight.motion.mode import Mode
from vario.settings.schema import SpeedToFly

KT = 1852 / 3600
FT = 0.3048


def test_fit_through_three_published_points() -> None:
    assert TRAINER.best_glide_speed_mps / KT == pytest.approx(43.841, abs=1e-3)
    glide = TRAINER.best_glide_speed_mps / TRAINER.sink_mps(TRAINER.best_glide_speed_mps)
    assert glide == pytest.approx(22.15, abs=0.01)
    assert TRAINER.min_sink_speed_mps / KT == pytest.approx(25.30, abs=0.01)
    assert TRAINER.sink_mps(TRAINER.min_sink_speed_mps) / KT == pytest.approx(1.560, abs=1e-3)


@pytest.mark.parametrize(("mc_kt", "speed_kt"), [(1, 52.380), (2, 59.711), (3, 66.235), (4, 72.172)])
def test_speed_to_fly_of_the_published_polar(mc_kt: float, speed_kt: float) -> None:
    assert TRAINER.speed_for_mps(mc_kt * KT) / KT == pytest.approx(speed_kt, abs=1e-3)


@pytest.mark.parametrize(
    ("mc_mps", "speed_kmh"), [(0.5, 111.600), (1, 125.045), (2, 148.324), (3, 168.415), (4, 186.353)]
)
def test_speed_to_fly_closed_form(mc_mps: float, speed_kmh: float) -> None:
    assert CLUB.speed_for_mps(mc_mps) / KMH == pytest.approx(speed_kmh, abs=1e-3)


@given(POLARS, st.floats(0.0, 6.0), st.floats(-2.0, 0.0), st.floats(0.0, 6000.0))
def test_speed_to_fly_is_the_best_cross_country_speed(
    polar: QuadraticPolar, mc_mps: float, air_mps: float, height_m: float
) -> None:
    """Oracle: a general minimiser on the time lost per true metre, (mc - w + s)/V."""
    density = isa.density_kgpm3(isa.pressure_pa(height_m), isa.temperature_k(height_m))
    scale = math.sqrt(1.225 / density)
    best = minimize_scalar(
        lambda v: (mc_mps - air_mps + scale * polar.sink_mps(v)) / (scale * v),
        bounds=(polar.min_sink_speed_mps, 150.0),
        method="bounded",
        options={"xatol": 1e-7},
    )
    assert polar.speed_for_mps(mc_mps - air_mps, scale) == pytest.approx(best.x, abs=1e-3)


# As printed: bank in degrees, radius in ft, seconds for 360 degrees, loss of height in ft a turn. The glider:
# V0 46 mph, L/D 26.
TURN_TABLE = [
    (15, 547, 50, 137),
    (20, 414, 37, 106),
    (25, 335, 30, 89),
    (30, 283, 25, 79),
    (35, 247, 21, 73),
    (40, 220, 18, 69),
    (45, 200, 16, 68),
    (50, 185, 14, 69),
    (55, 173, 12, 73),
    (60, 163, 11, 79),
]


@pytest.mark.parametrize(("bank_deg", "radius_ft", "circle_s", "loss_ft"), TURN_TABLE)
def test_published_turn_table(bank_deg: float, radius_ft: float, circle_s: float, loss_ft: float) -> None:
    """The table keeps one angle of attack: speed V0·√n, sink s0·n^1.5."""
    speed_0, sink_0 = 46 * 1609.344 / 3600, 46 * 1609.344 / 3600 / 26
    # A polar whose minimum sink is at the table's V0, so that the table's speeds are the polar's.
    curvature = 1e-3
    polar = QuadraticPolar(curvature, -2 * curvature * speed_0, sink_0 + curvature * speed_0**2)
    bank = math.radians(bank_deg)
    load = 1 / math.cos(bank)
    speed = speed_0 * math.sqrt(load)
    period = math.tau * speed / (isa.G0_MPS2 * math.tan(bank))
    assert polar.circling_sink_mps(bank) * period / FT == pytest.approx(loss_ft, abs=1.0)
    assert period == pytest.approx(circle_s, abs=0.6)
    assert speed**2 / (isa.G0_MPS2 * math.tan(bank)) / FT == pytest.approx(radius_ft, abs=1.0)


@pytest.mark.parametrize(("bank_deg", "sink"), [(30, 0.737676), (40, 0.886708)])
def test_circling_sink(bank_deg: float, sink: float) -> None:
    """Same rule on the metric example."""
    assert CLUB.circling_sink_mps(math.radians(bank_deg)) == pytest.approx(sink, abs=1e-5)


@given(POLARS, st.floats(1.0, 2.0))
def test_ballast_keeps_the_glide_and_moves_the_speed(polar: QuadraticPolar, ratio: float) -> None:
    heavy = polar.loaded(ratio)
    v, w = polar.best_glide_speed_mps, heavy.best_glide_speed_mps
    assert w / v == pytest.approx(math.sqrt(ratio), rel=1e-9)
    assert w / heavy.sink_mps(w) == pytest.approx(v / polar.sink_mps(v), rel=1e-9)


@given(POLARS, st.floats(20.0, 60.0), st.floats(-0.5, 3.0), st.floats(0.001, 0.2))
def test_more_load_is_more_sink(polar: QuadraticPolar, eas_mps: float, load: float, more: float) -> None:
    assert polar.sink_loaded_mps(eas_mps, load + more) >= polar.sink_loaded_mps(eas_mps, load) - 1e-9
    assert polar.sink_loaded_mps(eas_mps, load) > 0.0


@given(POLARS, st.floats(22.0, 60.0))
def test_load_rule_is_continuous_through_level_flight(polar: QuadraticPolar, eas_mps: float) -> None:
    level = polar.sink_mps(max(eas_mps, polar.min_sink_speed_mps))
    for load in (1.0 - 1e-9, 1.0, 1.0 + 1e-9):
        assert polar.sink_loaded_mps(eas_mps, load) == pytest.approx(level, abs=1e-6)


@given(
    st.sampled_from(["dolphin", "block"]),
    st.floats(0.0, 10.0),
    st.floats(0.7, 1.4),
    st.lists(st.floats(-30.0, 30.0), min_size=1, max_size=30),
    st.floats(0.0, 8000.0),
)
def test_no_command_leaves_the_limits(
    mode: str, mc_mps: float, mass_ratio: float, air: list[float], height_m: float
) -> None:
    settings = SpeedToFly.model_validate({"mode": mode})
    stage = SpeedToFlyStage(
        setup(
            speed_to_fly=settings,
            maccready_mps=mc_mps,
            polar=CLUB.loaded(mass_ratio),
            limits=LIMITS,
            mass_ratio=mass_ratio,
        )
    )
    for netto in air:
        command = stage.update(0.1, energy_at(height_m), Airmass(netto, netto - 0.8), Mode.CRUISE).command_mps
        assert command is not None
        assert command >= STALL_MARGIN * 68 * KMH * math.sqrt(mass_ratio) - 1e-9
        assert command <= 175 * KMH + 1e-9


def test_no_command_where_none_belongs() -> None:
    stage = SpeedToFlyStage(setup(maccready_mps=1.0, polar=CLUB, limits=LIMITS))
    air = Airmass(0.0, -0.8)
    for mode in (Mode.GROUND, Mode.LAUNCH, Mode.CIRCLING):
        assert stage.update(0.1, energy_at(1000), air, mode).command_mps is None
    assert stage.update(0.1, energy_at(1000), Airmass(None, None), Mode.CRUISE).command_mps is None
    no_glider = SpeedToFlyStage(setup(maccready_mps=1.0))
    assert no_glider.update(0.1, energy_at(1000), air, Mode.CRUISE).command_mps is None


def test_dolphin_slows_in_lift_and_speeds_up_in_sink() -> None:
    stage = SpeedToFlyStage(setup(maccready_mps=1.0, polar=CLUB, limits=LIMITS))
    speeds = []
    for netto in (0.0, 2.0, -2.0):
        for _ in range(12000):  # twenty minutes: what lasts is learned in minutes
            command = stage.update(0.1, energy_at(0), Airmass(netto, netto), Mode.CRUISE).command_mps
        speeds.append(command)
    still, lift, sink = speeds
    # mc 1, sink 2: the same as mc 3 in still air, 168.415 km/h (closed form above).
    assert still == pytest.approx(125.045 * KMH, abs=0.02)
    assert sink == pytest.approx(168.415 * KMH, abs=0.02)
    assert lift is not None
    assert still is not None
    assert lift < still


def test_a_polar_without_a_linear_part_has_a_sink_at_a_standstill_too() -> None:
    """b = 0 is allowed; then the sink is least at 0, where the induced part has no limit."""
    sink_mps = QuadraticPolar(0.002, 0.0, 0.5).sink_loaded_mps(0.0, 0.5)
    assert math.isfinite(sink_mps)
