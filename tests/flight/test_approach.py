"""The approach: its detection, and the conditions that end it and restore speed to fly and tone.

Airbrakes: CS 22.75 (from memory) asks for a glide no flatter than 1 in 7 at 1.3 times the stall speed, which
is a sink of about 3.5 m/s at 90 km/h. The heights are common practice, no source.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import pytest

from drivers.samples import GnssPos, GnssVel
from tests.bench.approach import glider_of
from tests.support.approach_flights import approach
from tests.support.setups import setup
from tests.support.slow_circling import circle
from vario.flight.inputs.frames import Frame
from vario.flight.inputs.health import Inputs
from vario.flight.motion.energy import Energy
from vario.flight.motion.mode import TRANSITIONS, Mode
from vario.flight.motion.mode_stage import ModeStage
from vario.flight.motion.turning import Turning

DT_S = 0.1
STRAIGHT = Turning(0.0, 0.0, 0.0, 0.0, active=False, now=False)
KM_DEG = 1.0 / 111.2


@dataclass
class Circuit:
    """A flight near the field, given by height, vario and netto; it begins on the ground, at 420 m, and is
    towed.
    """

    wish: str = "automatic"
    km_away: float = 0.0
    t_s: float = 0.0
    above_m: float = 0.0
    modes: list[Mode] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.stage = ModeStage(setup())
        self.fly(20.0, tas_mps=0.0).fly(150.0, climb_mps=3.0).fly(20.0, climb_mps=-0.7)
        assert self.modes[-1] is Mode.CRUISE
        self.stage.configure(setup(mode=self.wish))

    def fly(
        self, seconds: float, climb_mps: float = 0.0, netto_mps: float = 0.0, tas_mps: float = 27.0
    ) -> Circuit:
        for _ in range(round(seconds / DT_S)):
            self.t_s += DT_S
            self.above_m += climb_mps * DT_S
            height_m = 420.0 + self.above_m
            position = GnssPos(self.t_s, 50.0 + self.km_away * KM_DEG, 10.0, height_m)
            frame = Frame(
                self.t_s, DT_S, gnss_pos=(position,), gnss_vel=(GnssVel(self.t_s, tas_mps, 0.0, None),)
            )
            inputs = Inputs(frame, has_baro=True, has_pitot=True, has_imu=True, has_gnss=True)
            energy = Energy(
                height_m, climb_mps, tas_mps, tas_mps, 1.1, climb_mps, height_m + 37.0, compensated=True
            )
            mode = self.stage.update(inputs, energy, STRAIGHT, netto_mps)
            if not self.modes or self.modes[-1] is not mode:
                self.modes.append(mode)
        return self

    def at(self, above_m: float) -> Circuit:
        """Glide down to this height above the field, without airbrakes and in still air."""
        return self.fly((self.above_m - above_m) / 0.8, climb_mps=-0.8)


def test_airbrakes_low_over_the_field_are_an_approach() -> None:
    circuit = Circuit().at(290.0).fly(15.0, climb_mps=-4.0, netto_mps=-3.2)
    assert circuit.modes[-1] is Mode.APPROACH
    circuit.fly(40.0, climb_mps=-4.0, netto_mps=-3.2)
    circuit.fly(30.0, tas_mps=0.0)
    assert circuit.modes[-2:] == [Mode.APPROACH, Mode.GROUND]


@pytest.mark.parametrize(
    ("above_m", "km_away", "netto_mps", "approach"),
    [
        (290.0, 0.0, -1.5, False),  # sink as between thermals
        (440.0, 0.0, -4.0, False),  # strong sink, but high
        (240.0, 8.0, -4.0, False),  # far from the field: the ground there is not known
        (140.0, 0.0, 0.0, True),  # without airbrakes, too low for anything else
        (-80.0, 0.0, 0.0, False),  # on a slope below the field
    ],
)
def test_an_approach_is_distinguished_from_other_flight(
    above_m: float, km_away: float, netto_mps: float, approach: bool
) -> None:
    circuit = Circuit()
    circuit.km_away = 9.0  # glide down there
    circuit.at(above_m).km_away = km_away
    circuit.fly(15.0, climb_mps=-0.8 + 0.1 * netto_mps, netto_mps=netto_mps)
    assert (Mode.APPROACH in circuit.modes) is approach


def test_a_low_climb_ends_it_and_going_on_at_the_same_height_does_not_flicker() -> None:
    circuit = Circuit().at(200.0).fly(15.0, climb_mps=-4.0, netto_mps=-3.2)
    assert circuit.modes[-1] is Mode.APPROACH
    changes = len(circuit.modes)
    circuit.fly(60.0, climb_mps=-0.5, netto_mps=-1.9).fly(5.0, climb_mps=1.0, netto_mps=1.5)
    assert len(circuit.modes) == changes
    circuit.fly(8.0, climb_mps=1.5, netto_mps=2.3)
    assert circuit.modes[-1] is Mode.CRUISE


def test_a_gust_is_no_approach() -> None:
    circuit = Circuit().at(280.0)
    for _ in range(6):
        circuit.fly(4.0, climb_mps=-4.0, netto_mps=-3.2).fly(8.0, climb_mps=0.2, netto_mps=1.0)
    assert Mode.APPROACH not in circuit.modes


def test_the_pilot_may_select_it_anywhere_and_take_it_back() -> None:
    circuit = Circuit(wish="approach").fly(1.0)
    assert circuit.modes[-1] is Mode.APPROACH
    circuit.fly(60.0, climb_mps=2.0, netto_mps=2.8)
    assert circuit.modes[-1] is Mode.APPROACH
    circuit.stage.configure(setup(mode="automatic"))
    circuit.fly(6.0)
    assert circuit.modes[-1] is Mode.CRUISE


def test_the_choice_of_cruise_holds_it_against_an_approach() -> None:
    circuit = Circuit(wish="cruise").at(100.0).fly(15.0, climb_mps=-4.0, netto_mps=-3.2)
    assert Mode.APPROACH not in circuit.modes


def test_every_mode_can_be_left_and_reached() -> None:
    assert {row.start for row in TRANSITIONS} == {row.end for row in TRANSITIONS} == set(Mode)


@pytest.mark.long  # the short forms are above; `python -m tests.bench.approach` has the table
@pytest.mark.parametrize("seed", [8400, 8401])
def test_a_drawn_circuit_is_an_approach_within_fifteen_seconds(seed: int) -> None:
    """From the ground to the ground, with sink between thermals; 8401 with a low climb as well."""
    judged = approach(seed, glider_of(seed))
    assert judged.told_s is not None
    assert judged.told_s < 15.0
    assert judged.commanded_s < 15.0
    assert judged.false_s == 0.0


@pytest.mark.long  # the short form is in test_pilot
@pytest.mark.parametrize("seed", [8500, 8501])
def test_usual_circling_is_not_slow_and_slow_circling_is(seed: int) -> None:
    """A minute each of circling of the two invented gliders, then 15 s below 1.1 times the stall speed."""
    advised = circle(seed, glider_of(seed), 60.0)
    assert advised.false == 0
    assert advised.told_s is not None
