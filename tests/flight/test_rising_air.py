"""Place of the strongest rise of the air, from vario and load factor, against exact results.

* Sink under a load n is n^1.5 that in level flight at the same angle of attack: the turning polar of A. and
  L. Welch and F. Irving, The Complete Soaring Pilot's Handbook.
* A lift w = w0 + Δw·cos φ around the circle with a load n = n0 + Δn·cos(φ + 90°), most where the lift grows
  fastest, gives by that rule a vario whose crest is late by atan(1.5·s·Δn/(n0·Δw)) in the first order of Δn.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from vario.flight.thermal.airmass_velocity import SINK_LIMITS_MPS, SLOW_S, USUAL_SINK_MPS, AirmassVelocity

DT_S = 0.02
TURN_S = 21.0


def crest_deg(phase: np.ndarray, values: np.ndarray) -> float:
    """Where the first harmonic is largest."""
    return math.degrees(np.angle(np.sum(values * np.exp(1j * phase))))


@pytest.mark.parametrize("sink_mps", [0.6, 1.0, 3.0])
@pytest.mark.parametrize("swing", [0.03, 0.08])
def test_the_crest_is_where_the_air_rises_most_whatever_the_glider_sinks(
    sink_mps: float, swing: float
) -> None:
    """The estimator's other route is wrong at the rate of turning, as in flight, and right in the mean."""
    rising, load_0, lift = AirmassVelocity(), 1.25, 0.8
    phase = math.tau / TURN_S * DT_S * np.arange(round(8 * TURN_S / DT_S))
    load = load_0 - swing * np.sin(phase)
    air = 2.0 + lift * np.cos(phase)
    vario = air - sink_mps * (load / load_0) ** 1.5
    other_route = air + 0.3 * np.sin(phase)
    told = np.array(
        [
            rising.update(DT_S, v, None, n, other)
            for v, n, other in zip(vario.tolist(), load.tolist(), other_route.tolist(), strict=True)
        ],
        dtype=float,
    )
    last = phase > phase[-1] - math.tau
    late = math.degrees(math.atan(1.5 * sink_mps * swing / (load_0 * lift)))
    assert crest_deg(phase[last], vario[last]) == pytest.approx(late, abs=0.3)
    assert crest_deg(phase[last], told[last]) == pytest.approx(0.0, abs=0.05 * late + 0.7)
    assert float(np.mean(told[last] - air[last])) == pytest.approx(0.0, abs=0.1)


def test_netto_is_taken_as_it_is_and_nothing_comes_of_nothing() -> None:
    rising = AirmassVelocity()
    assert rising.update(DT_S, 1.0, 1.9, 3.0, 0.0) == 1.9
    assert rising.update(DT_S, None, None, 1.0, 0.0) is None


def test_without_an_inertial_sensor_the_usual_sink_is_added() -> None:
    assert AirmassVelocity().update(DT_S, 1.0, None, None, None) == pytest.approx(1.0 + USUAL_SINK_MPS)


def test_a_route_gone_wrong_adds_no_more_than_a_glider_sinks() -> None:
    for wrong, sink in ((50.0, SINK_LIMITS_MPS[1]), (-50.0, SINK_LIMITS_MPS[0])):
        rising = AirmassVelocity()
        for _ in range(round(5 * SLOW_S / DT_S)):
            told = rising.update(DT_S, 0.0, None, 1.0, wrong)
        assert told is not None
        assert told == pytest.approx(sink, rel=0.01)
