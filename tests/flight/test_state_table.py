"""The runner of state tables, against a direct evaluation of the tables."""

from __future__ import annotations

from enum import Enum, auto

from hypothesis import given
from hypothesis import strategies as st

from vario.flight.core.state_table import StateTable, Transition


class Light(Enum):
    OFF = auto()
    DIM = auto()
    BRIGHT = auto()


def wanted(i: tuple[bool, bool]) -> bool:
    return i[0]


def strong(i: tuple[bool, bool]) -> bool:
    return i[1]


def unwanted(i: tuple[bool, bool]) -> bool:
    return not i[0]


def hold_s(_: tuple[bool, bool]) -> float:
    return 2.0


ROWS = (
    Transition(Light.OFF, Light.BRIGHT, strong, 1.0),
    Transition(Light.OFF, Light.DIM, wanted, hold_s),
    Transition(Light.DIM, Light.OFF, unwanted),
    Transition(Light.BRIGHT, Light.OFF, unwanted, 1.0),
)


@given(st.lists(st.tuples(st.booleans(), st.booleans()), max_size=60))
def test_a_transition_is_taken_once_its_guard_has_held(inputs: list[tuple[bool, bool]]) -> None:
    """Oracle: from the whole history since the state was entered, how long each guard has held until now."""
    table: StateTable[Light, tuple[bool, bool]] = StateTable(ROWS)
    state, since = Light.OFF, 0
    for n in range(len(inputs)):
        table.update(inputs[n], 0.5)
        for row in ROWS:
            history = [row.guard(i) for i in reversed(inputs[since : n + 1])]
            run = next((k for k, holds in enumerate(history) if not holds), len(history))
            needed = 2.0 if callable(row.hold_s) else row.hold_s
            if row.start is state and run > 0 and 0.5 * run >= needed:
                state, since = row.end, n + 1
                break
        assert table.state is state


def test_hold_times_start_again_on_request() -> None:
    table: StateTable[Light, tuple[bool, bool]] = StateTable(ROWS)
    assert table.update((True, False), 1.5) is None
    table.restart_holds()
    assert table.update((True, False), 1.5) is None
    assert table.update((True, False), 0.5) is ROWS[1]
