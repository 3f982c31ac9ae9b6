"""Position in metres and the drift of the air, with and without GNSS."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from drivers.samples import GnssPos, GnssVel
from vario.flight.inputs.frames import Frame
from vario.flight.inputs.health import Inputs
from vario.flight.motion.energy import Energy
from vario.flight.motion.place import PlaceStage
from vario.flight.motion.turning import Turning
from vario.flight.setup import Setup
from vario.flight.wind.stage import Wind

WIND = Wind(3.0, -4.0, 10.0, 0.2)
STILL = Turning(0.0, 0.0, 0.0, 0.0, active=False, now=False, heading_rad=math.pi / 2, from_north=True)


def energy(tas_mps: float | None) -> Energy:
    return Energy(1000.0, 0.0, tas_mps, tas_mps, 1.1, 0.0, 1040.0, compensated=True)


def inputs(t_s: float, *samples: GnssPos | GnssVel, has_gnss: bool = True, has_imu: bool = True) -> Inputs:
    frame = Frame(
        t_s,
        0.1,
        gnss_pos=tuple(s for s in samples if isinstance(s, GnssPos)),
        gnss_vel=tuple(s for s in samples if isinstance(s, GnssVel)),
    )
    return Inputs(frame, has_baro=True, has_pitot=True, has_imu=has_imu, has_gnss=has_gnss)


@given(st.floats(-70.0, 70.0), st.floats(-180.0, 180.0), st.sampled_from([(1, 0), (0, 1), (-1, 1)]))
def test_a_minute_of_arc_is_a_nautical_mile(
    lat_deg: float, lon_deg: float, step: tuple[float, float]
) -> None:
    """The nautical mile, 1852 m, was made to be the minute of arc of a mean meridian (IHO 1929)."""
    stage = PlaceStage(Setup())
    stage.update(inputs(0.1, GnssPos(0.1, lat_deg, lon_deg, 0.0)), energy(None), STILL, WIND)
    other = GnssPos(1.1, lat_deg + step[0] / 60, lon_deg + step[1] / 60, 0.0)
    place = stage.update(inputs(1.1, other), energy(None), STILL, WIND)
    assert place is not None
    assert place.north_m == pytest.approx(1852.0 * step[0], abs=2.5)
    assert place.east_m == pytest.approx(1852.0 * step[1] * math.cos(math.radians(lat_deg)), abs=3.0)
    assert (place.drift_north_mps, place.drift_east_mps) == (3.0, -4.0)


def test_a_position_is_carried_on_with_its_velocity_but_not_for_ever() -> None:
    stage = PlaceStage(Setup())
    stage.update(
        inputs(0.1, GnssPos(0.1, 50.0, 10.0, 0.0), GnssVel(0.1, 30.0, 0.0, None)), energy(None), STILL, None
    )
    place = stage.update(inputs(0.6), energy(None), STILL, None)
    assert place is not None
    assert place.north_m == pytest.approx(15.0)
    place = stage.update(inputs(9.0), energy(None), STILL, None)
    assert place is not None
    assert place.north_m == pytest.approx(60.0)


def test_without_gnss_the_place_is_reckoned_in_the_air() -> None:
    stage = PlaceStage(Setup())
    place = None
    for k in range(101):
        place = stage.update(inputs(0.1 * k, has_gnss=False), energy(25.0), STILL, WIND)
    assert place is not None
    assert place.east_m == pytest.approx(252.5)
    assert place.north_m == pytest.approx(0.0, abs=1e-9)
    assert (place.drift_north_mps, place.drift_east_mps) == (0.0, 0.0)


def test_places_of_different_frames_are_told_apart() -> None:
    stage = PlaceStage(Setup())
    first = stage.update(inputs(0.1, GnssPos(0.1, 50.0, 10.0, 0.0)), energy(25.0), STILL, WIND)
    second = stage.update(inputs(0.2, has_gnss=False), energy(25.0), STILL, WIND)
    third = stage.update(inputs(0.3, GnssPos(0.3, 50.0, 10.0, 0.0)), energy(25.0), STILL, WIND)
    assert first is not None
    assert second is not None
    assert third is not None
    assert len({first.frame, second.frame, third.frame}) == 3


def test_no_gnss_and_no_airspeed_is_no_place() -> None:
    assert PlaceStage(Setup()).update(inputs(0.1, has_gnss=False), energy(None), STILL, WIND) is None
    blind = inputs(0.1, has_gnss=False, has_imu=False)
    assert PlaceStage(Setup()).update(blind, energy(25.0), STILL, WIND) is None


def test_a_velocity_that_has_gone_carries_no_position_on() -> None:
    stage = PlaceStage(Setup())
    stage.update(
        inputs(0.1, GnssPos(0.1, 50.0, 10.0, 0.0), GnssVel(0.1, 30.0, 0.0, None)), energy(None), STILL, None
    )
    later = replace(inputs(0.9, GnssPos(0.1, 50.0, 10.0, 0.0)), has_gnss=False, has_position=True)
    place = stage.update(later, energy(None), STILL, None)
    assert place is not None
    assert place.north_m == pytest.approx(0.0, abs=0.01)
