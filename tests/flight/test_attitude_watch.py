"""How long a confirmed attitude holds while its comparison with velocities over ground is not possible."""

from __future__ import annotations

from drivers.samples import GnssVel
from vario.flight.estimate.attitude_watch import AGREED_S, HELD_S, AttitudeWatch
from vario.flight.estimate.inertial_model import InertialNoise, Wing
from vario.flight.estimate.inertial_state import InertialState

EVERY_S, FASTER_MPS2 = 0.5, 3.0
"""The acceleration is that of a turn with a bank of 17°: g tan(17°)."""


class Flight:
    """A level acceleration to the north, measured alike by the unit and by the velocities."""

    def __init__(self) -> None:
        self.state, self.watch = InertialState(Wing.loaded(), InertialNoise()), AttitudeWatch()
        self.state.gnss_latency_s = 0.0
        self.state.ground.known = True
        self.t_s = 0.0

    def fly(self, lasts_s: float) -> None:
        """Give the velocities of this time."""
        for _ in range(round(lasts_s / EVERY_S)):
            for _ in range(10):
                force = (FASTER_MPS2, 0.0, 0.0)
                self.state.ground.add_step((1.0, 0.0, 0.0), (0.0, 0.0, 1.0), force, EVERY_S / 10)
            self.t_s += EVERY_S
            fix = GnssVel(self.t_s, FASTER_MPS2 * self.t_s, 0.0, 0.0)
            self.watch.take([fix], self.t_s, self.state, trusted=True)


def test_a_lost_heading_does_not_end_the_confirmation_at_once() -> None:
    flight = Flight()
    flight.fly(2.0 * AGREED_S)
    assert flight.watch.usable
    flight.state.ground.known = False
    flight.fly(HELD_S - EVERY_S)
    assert flight.watch.usable
    flight.fly(2.0 * EVERY_S)
    assert not flight.watch.usable


def test_a_fault_of_the_unit_ends_it_at_once() -> None:
    flight = Flight()
    flight.fly(2.0 * AGREED_S)
    flight.state.ground.known = False
    flight.watch.disturb()
    flight.fly(EVERY_S)
    assert not flight.watch.usable


def test_a_restart_ends_it_at_once() -> None:
    flight = Flight()
    flight.fly(2.0 * AGREED_S)
    flight.watch.begin()
    flight.state.ground.known = False
    flight.fly(EVERY_S)
    assert not flight.watch.usable
