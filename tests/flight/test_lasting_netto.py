"""The share of the netto that lasts, which the speed to fly follows."""

from __future__ import annotations

import math

import pytest

from vario.flight.cruise.lasting import EXPLAINED, LastingNetto


def learned(period_s: float, damping_s: float = 0.1) -> LastingNetto:
    lasting = LastingNetto(damping_s, 6.0)
    for k in range(6000):
        lasting.update(2.0 * math.sin(math.tau * 0.1 * k / period_s), 0.1)
    return lasting


@pytest.mark.parametrize("period_s", [36.0, 60.0])
def test_lift_that_lasts_counts(period_s: float) -> None:
    """A sine in 6 s, from its value and its change in 5 s, by the addition theorem."""
    rad_per_s = math.tau / period_s
    change = math.sin(6.0 * rad_per_s) / math.sin(5.0 * rad_per_s)
    share = math.cos(6.0 * rad_per_s) - change * (1.0 - math.cos(5.0 * rad_per_s))
    lasting = learned(period_s)
    assert lasting.change_share == pytest.approx(change, abs=0.06)
    assert lasting.share == pytest.approx(share, abs=0.06)
    assert lasting.explained == pytest.approx(1.0, abs=0.02)


@pytest.mark.parametrize("damping_s", [0.1, 0.5])
def test_a_long_wave_is_predicted_whatever_the_damping(damping_s: float) -> None:
    """The truth is the sine itself, 6 s later."""
    lasting, rad_per_s = learned(60.0, damping_s), math.tau / 60.0
    for k in range(600):
        t_s = 600.0 + 0.1 * k
        found = lasting.update(2.0 * math.sin(rad_per_s * t_s), 0.1)
        assert found == pytest.approx(2.0 * math.sin(rad_per_s * (t_s + 6.0)), abs=0.2)


def test_lift_that_is_over_by_then_does_not_count() -> None:
    lasting = learned(15.0)
    assert lasting.explained < EXPLAINED[0]
    assert lasting.update(2.0, 0.1) == pytest.approx(0.0, abs=0.1)


def test_before_anything_is_learned_the_netto_is_not_followed() -> None:
    lasting = LastingNetto(1.0, 6.0)
    assert [lasting.update(netto, 0.1) for netto in (1.0, -2.0, 3.0)] == [0.0, 0.0, 0.0]
