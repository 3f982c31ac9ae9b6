"""Build the flight plan of the simulator from the phases of a scenario file."""

from __future__ import annotations

from collections.abc import Sequence

from hw_replay.simulate import plan
from hw_replay.simulate.plan import Phase, Steer, Until
from vario.app.simulate.tables import ENDS, PhaseTable
from vario.settings.near import nearest


class ScriptError(ValueError):
    """A phase that cannot be flown: its thermal does not exist, or it never ends and is not the last.

    Args:
        place: index of the phase, from 0.
        key: the key that is wrong.
        subject: the key with its value.
        text: what was expected.
    """

    def __init__(self, place: int, key: str, subject: str, text: str) -> None:
        super().__init__(f"{subject}: {text}")
        self.place = place
        self.key = key
        self.subject = subject
        self.text = text


def plan_of(phases: Sequence[PhaseTable], thermals: Sequence[str]) -> tuple[list[Phase], list[ScriptError]]:
    """The plan, and the errors of the phases that cannot be flown.

    Args:
        phases: the phases; without any the glider flies straight at 100 km/h.
        thermals: the names of the thermals.
    """
    if not phases:
        return [Phase("straight", 100 / 3.6, _never)], []
    planned: list[Phase] = []
    wrong: list[ScriptError] = []
    for place, phase in enumerate(phases):
        try:
            planned.append(_phase(place, phase, thermals, last=place == len(phases) - 1))
        except ScriptError as error:
            wrong.append(error)
    return planned, wrong


def _never(_view: plan.View) -> bool:
    return False


def _phase(place: int, phase: PhaseTable, thermals: Sequence[str], *, last: bool) -> Phase:
    index = 0
    if phase.thermal is not None:
        if phase.thermal not in thermals:
            near = nearest(phase.thermal, thermals)
            known = (
                f"expected one of {', '.join(dict.fromkeys(thermals))}"
                if thermals
                else "there is no [[thermal]] in the file"
            )
            hint = f'; did you mean "{near}"?' if near else ""
            raise ScriptError(
                place, "thermal", f'thermal = "{phase.thermal}"', f"no such thermal, {known}{hint}"
            )
        index = thermals.index(phase.thermal)
    ends = _ends(phase, index)
    if not ends and not last:
        names = ", ".join(name.rpartition("_")[0] for name in ENDS)
        raise ScriptError(
            place, "name", f'name = "{phase.name}"', f"this phase never ends; expected one of {names}"
        )
    return Phase(
        name=phase.name,
        speed_mps=phase.speed_mps,
        until=plan.either(*ends) if ends else _never,
        steer=_steer(phase, index),
        climb_mps=phase.climb_mps if phase.manner == "tow" else None,
        airbrakes=phase.airbrakes,
        flare=phase.manner == "round out",
        ground_bank_rad=phase.ground_bank_rad,
        wheel_brake=phase.wheel_brake,
    )


def _steer(phase: PhaseTable, index: int) -> Steer:
    bank_rad, heading_rad = phase.bank_rad or 0.0, phase.heading_rad or 0.0
    steers: dict[str, Steer] = {
        "straight": plan.straight,
        "heading": plan.heading(heading_rad),
        "thermal": plan.towards(index, phase.miss_m),
        "circle": plan.circle(bank_rad),
        "centre": plan.centre(index, bank_rad),
    }
    return steers[phase.steer]


def _ends(phase: PhaseTable, index: int) -> list[Until]:
    ends: list[Until] = []
    for value, make in (
        (phase.after_s, plan.after),
        (phase.above_m, plan.above),
        (phase.below_m, plan.below),
        (phase.faster_mps, plan.faster),
        (phase.slower_mps, plan.slower),
        (phase.turned_rad, plan.turned),
    ):
        if value is not None:
            ends.append(make(value))
    if phase.within_m is not None:
        ends.append(plan.within(index, phase.within_m))
    if phase.past_m is not None:
        ends.append(plan.past(index, phase.past_m))
    return ends
