"""State machines as tables: one runner for all of them.

A table is a tuple of transitions. In each frame the transitions out of the present state are tested in the
order of the table, and the first one whose guard has held for its time is taken. docs/state-machines.md shows
every table.
"""

from __future__ import annotations

from collections.abc import Callable
from enum import Enum
from typing import Generic, TypeVar

StateT = TypeVar("StateT", bound=Enum)
InputsT = TypeVar("InputsT")


class Transition(Generic[StateT, InputsT]):
    """Leave `start` for `end` once `guard` has held for a time without a break.

    A plain class, because mypyc cannot compile a generic dataclass.

    Args:
        start: the state it leads out of.
        end: the state it leads to.
        guard: a named function of the inputs; its docstring is the condition in words.
        hold_s: how long the guard must hold, s: a number, or a named function of the inputs, whose docstring
            says where the time is from. With 0 the transition is taken in the frame in which the guard first
            holds.
    """

    def __init__(
        self,
        start: StateT,
        end: StateT,
        guard: Callable[[InputsT], bool],
        hold_s: float | Callable[[InputsT], float] = 0.0,
    ) -> None:
        self.start = start
        self.end = end
        self.guard = guard
        self.hold_s = hold_s


class StateTable(Generic[StateT, InputsT]):
    """Runs one table.

    Args:
        transitions: the table. Its first row starts in the initial state.

    Attributes:
        state: the present state.
    """

    def __init__(self, transitions: tuple[Transition[StateT, InputsT], ...]) -> None:
        self._transitions = transitions
        self.state = transitions[0].start
        self._exits = self._exits_of(self.state)
        self.restart_holds()

    def enter(self, state: StateT) -> None:
        """Go to a state; all hold times start again."""
        if state is not self.state:
            self.state = state
            self._exits = self._exits_of(state)
        self.restart_holds()

    def restart_holds(self) -> None:
        """Stay in the state; all hold times start again."""
        self._held_s = [0.0] * len(self._transitions)

    def update(self, inputs: InputsT, dt_s: float = 0.0) -> Transition[StateT, InputsT] | None:
        """Test the transitions out of the present state.

        Args:
            inputs: the inputs of the guards.
            dt_s: time since the frame before.

        Returns:
            The transition taken, if any. At most one is taken in a frame.
        """
        held = self._held_s
        for n, row in self._exits:
            if not row.guard(inputs):
                held[n] = 0.0
                continue
            held[n] += dt_s
            hold_s = row.hold_s
            if held[n] >= (hold_s(inputs) if callable(hold_s) else hold_s):
                self.enter(row.end)
                return row
        return None

    def _exits_of(self, state: StateT) -> list[tuple[int, Transition[StateT, InputsT]]]:
        return [(n, row) for n, row in enumerate(self._transitions) if row.start is state]
