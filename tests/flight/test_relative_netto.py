"""Netto and relative netto of an example, and the sink of a circle that is flown fast."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from tests.support.example_polars import CLUB, KMH, energy_at
from tests.support.setups import setup
from vario.flight.cruise.airmass import AirmassStage
from vario.flight.estimate.result import Diagnostics, Estimate
from vario.flight.inputs.frames import Frame
from vario.flight.inputs.health import Inputs
from vario.flight.motion.mode import Mode
from vario.settings.schema import Circling


@pytest.mark.parametrize(("bank_deg", "relative"), [(0.001, 1.405), (30, 1.262), (40, 1.113)])
def test_relative_netto_of_the_example(bank_deg: float, relative: float) -> None:
    """Total energy +1.3 m/s at 100 km/h, sink there 0.7: netto 2.0, less the sink of the circle.

    That is the least sink of the polar, 0.595 m/s (closed form c − b²/4a), times (1/cos φ)^1.5: the rule of
    the turn table in The Complete Soaring Pilot's Handbook (A. and L. Welch, F. Irving), as in `test_polar`.
    """
    circling = Circling().model_copy(update={"bank_rad": math.radians(bank_deg)})
    made = AirmassStage(setup(polar=CLUB, circling=circling))
    frame = Frame(1.0, 0.1)
    inputs = Inputs(frame, has_baro=True, has_pitot=True, has_imu=False, has_gnss=False)
    energy = replace(energy_at(0.0), ias_mps=100 * KMH, tas_mps=100 * KMH, vario_mps=1.3)
    air = made.update(inputs, Estimate(None, energy, Diagnostics(), has_airspeed=True), Mode.CRUISE)
    assert air.netto_mps == pytest.approx(2.0, abs=1e-3)
    assert air.relative_netto_mps == pytest.approx(relative, abs=1e-3)


def test_circling_faster_than_needed_costs_its_sink() -> None:
    bank = math.radians(40.0)
    load = 1.0 / math.cos(bank)
    assert CLUB.circling_sink_mps(bank, CLUB.circling_speed_mps(bank)) == CLUB.circling_sink_mps(bank)
    fast = 120.0 * KMH
    expected = CLUB.sink_mps(fast / math.sqrt(load)) * load**1.5
    assert CLUB.circling_sink_mps(bank, fast) == pytest.approx(expected)
