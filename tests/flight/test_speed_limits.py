"""No command of the speed to fly leaves the limits of the glider file."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.support.example_polars import KMH, energy_at
from tests.support.speed_commands import FAST, settled, stage, under
from vario.flight.core.polar import QuadraticPolar
from vario.flight.cruise.airmass import Airmass
from vario.flight.cruise.speed_to_fly import NEVER_EXCEED_MARGIN, STALL_MARGIN, Limit
from vario.flight.motion.mode import Mode
from vario.settings.glider import Limits


@pytest.mark.parametrize(
    ("mode", "maccready", "flown", "speed_kmh", "limit"),
    [
        ("block", 10.0, (0.0, None), 160.0, Limit.ROUGH_AIR),  # the air is not known, so it counts as rough
        ("block", 10.0, (0.0, 1.0), 0.95 * 280.0, Limit.NEVER_EXCEED),  # smooth
        ("dolphin", 10.0, (0.0, 1.0), 200.0, Limit.MANOEUVRING),
        ("dolphin", 0.0, (3.0, 1.0), 1.2 * 60.0, Limit.STALL),
        ("dolphin", 0.0, (3.0, 1.44), 1.2 * 60.0 * 1.2, Limit.STALL),
    ],
)
def test_each_limit_holds_and_is_named(
    mode: str, maccready: float, flown: tuple[float, float | None], speed_kmh: float, limit: Limit
) -> None:
    # A polar slow enough that the stall margin, not least sink, is the lowest speed.
    slow = QuadraticPolar(0.0015, -0.0375, 0.9)
    made = stage(mode, maccready, FAST, slow)
    air, load = flown
    command = settled(made, Airmass(air, air - 0.8), load)
    assert command.limit is limit
    assert command.command_mps == pytest.approx(speed_kmh * KMH, abs=0.02)


def test_never_exceed_is_a_true_airspeed() -> None:
    """At 4000 m of the standard atmosphere √(ρ0/ρ) is 1.22290 (US Standard Atmosphere 1976)."""
    command = settled(stage("block", 10.0, FAST), load=1.0, height_m=4000.0)
    assert command.command_mps == pytest.approx(NEVER_EXCEED_MARGIN * 280.0 * KMH / 1.22290, abs=0.01)


@given(
    st.sampled_from(["dolphin", "block"]),
    st.floats(0.0, 10.0),
    st.lists(st.tuples(st.floats(-30.0, 30.0), st.floats(-2.0, 5.0)), min_size=1, max_size=40),
    st.floats(0.0, 8000.0),
)
def test_no_command_leaves_the_limits_whatever_the_air_and_the_load(
    mode: str, maccready: float, flown: list[tuple[float, float]], height_m: float
) -> None:
    made = stage(mode, maccready, FAST)
    for netto, load in flown:
        command = made.update(0.1, energy_at(height_m), Airmass(netto, netto), Mode.CRUISE, under(load))
        if command.command_mps is None:
            continue
        assert command.command_mps >= STALL_MARGIN * FAST.stall_mps - 1e-9
        assert command.command_mps <= FAST.rough_air_mps + 1e-9  # never long enough to be shown smooth


def test_no_room_between_the_limits_is_no_command() -> None:
    narrow = Limits.model_validate(
        {"stall": "100 km/h", "manoeuvring": "110 km/h", "rough_air": "110 km/h", "never_exceed": "250 km/h"}
    )
    assert settled(stage("dolphin", 1.0, narrow)).command_mps is None
