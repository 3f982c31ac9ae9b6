"""The elements of a flight plan: phases, steering functions and end conditions.

Airspeeds are indicated; bank and turns are positive to the right.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from hw_replay.simulate.air import AirModel


@dataclass(frozen=True, slots=True)
class View:
    """What the pilot knows during a phase. `turned_rad` is measured from the start of the phase."""

    in_phase_s: float
    above_field_m: float
    airspeed_mps: float
    heading_rad: float
    bank_rad: float
    turned_rad: float
    north_m: float
    east_m: float
    radius_m: float
    t_s: float
    air: AirModel

    def core(self, index: int) -> tuple[float, float]:
        """Distance, m, and bearing, rad, to the core of a thermal."""
        north_m, east_m = self.air.thermal_at(index, self.t_s)
        north_m, east_m = north_m - self.north_m, east_m - self.east_m
        return math.hypot(north_m, east_m), math.atan2(east_m, north_m)


Steer = Callable[[View], float]
"""Gives the desired bank, rad, from what the pilot knows."""

Until = Callable[[View], bool]
"""Whether the phase ends."""


def heading(rad: float, steepest_rad: float = math.radians(30)) -> Steer:
    """Fly a heading."""

    def steer(view: View) -> float:
        return _bank_for(math.remainder(rad - view.heading_rad, math.tau), steepest_rad)

    return steer


def towards(index: int, miss_m: float = 0.0) -> Steer:
    """Fly towards a thermal, to pass `miss_m` beside its core with the core on the right."""

    def steer(view: View) -> float:
        distance, bearing = view.core(index)
        aim = bearing - math.atan2(miss_m, max(distance, 2.0 * abs(miss_m), 100.0))
        return _bank_for(math.remainder(aim - view.heading_rad, math.tau), math.radians(30))

    return steer


def circle(bank_rad: float) -> Steer:
    """Circle with a bank; negative is to the left."""
    return lambda _: bank_rad


def centre(index: int, bank_rad: float) -> Steer:
    """Circle and centre on the core of a thermal.

    The bank is reduced while the core comes nearer, and increased while it moves away.
    """

    def steer(view: View) -> float:
        _, bearing = view.core(index)
        return bank_rad * (1.0 - 0.3 * math.cos(bearing - view.heading_rad))

    return steer


def straight(_: View) -> float:
    """Keep the wings level."""
    return 0.0


def after(s: float) -> Until:
    """End after this time, s."""
    return lambda view: view.in_phase_s >= s


def above(m: float) -> Until:
    """End above this height over the field, m."""
    return lambda view: view.above_field_m >= m


def below(m: float) -> Until:
    """End below this height over the field, m."""
    return lambda view: view.above_field_m <= m


def faster(mps: float) -> Until:
    """End above this airspeed, m/s."""
    return lambda view: view.airspeed_mps >= mps


def slower(mps: float) -> Until:
    """End below this airspeed, m/s."""
    return lambda view: view.airspeed_mps <= mps


def turned(rad: float) -> Until:
    """End after a turn by this angle in either direction, rad."""
    return lambda view: abs(view.turned_rad) >= rad


def within(index: int, m: float) -> Until:
    """End within this distance of the core of a thermal, m."""
    return lambda view: view.core(index)[0] <= m


def either(*conditions: Until) -> Until:
    """End as soon as one of several conditions is true."""
    return lambda view: any(condition(view) for condition in conditions)


def past(index: int, m: float) -> Until:
    """End when the core of a thermal is this far behind the wings, m."""

    def until(view: View) -> bool:
        distance, bearing = view.core(index)
        return distance * math.cos(bearing - view.heading_rad) <= -m

    return until


def facing_from_circle(index: int, turned_rad: float, lead_rad: float) -> Until:
    """Where to level out in order to shift the circle, once `turned_rad` of it have been flown.

    That is `lead_rad` before the nose points in the direction from the middle of the circle to the core.
    """

    def until(view: View) -> bool:
        distance, bearing = view.core(index)
        side = math.copysign(1.0, view.bank_rad)
        middle = view.heading_rad + side * math.pi / 2
        north = distance * math.cos(bearing) - view.radius_m * math.cos(middle)
        east = distance * math.sin(bearing) - view.radius_m * math.sin(middle)
        ahead = math.remainder(math.atan2(east, north) - view.heading_rad, math.tau) * side
        return abs(view.turned_rad) >= turned_rad and 0.0 < ahead <= lead_rad

    return until


def _bank_for(error_rad: float, steepest_rad: float) -> float:
    return max(-steepest_rad, min(steepest_rad, 1.2 * error_rad))


@dataclass(frozen=True, slots=True)
class Phase:
    """One line of the flight plan.

    Attributes:
        name: name for the reader of the plan.
        speed_mps: indicated airspeed to hold.
        until: condition that ends the phase.
        steer: gives the desired bank.
        climb_mps: on tow, the climb rate of the tug; None is free flight.
        airbrakes: 0 closed, 1 open.
        flare: round out above the ground.
        ground_bank_rad: bank on the wheel; at rest one wing lies on the grass.
        wheel_brake: 0 free, 1 full.
    """

    name: str
    speed_mps: float
    until: Until
    steer: Steer = straight
    climb_mps: float | None = None
    airbrakes: float = 0.0
    flare: bool = False
    ground_bank_rad: float = 0.0
    wheel_brake: float = 0.0
