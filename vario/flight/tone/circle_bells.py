"""Whether circling counts as ended for the bells.

The mode changes to cruise a few seconds after the wings are level. Reducing the bank to shift the circle
looks the same until the glider turns on. So the bells wait until the glider has not turned for a while; a
shift of the circle then rings none.
"""

from __future__ import annotations

from enum import Enum, auto

from drivers.quick import dataclass
from vario.flight.core.state_table import StateTable, Transition
from vario.flight.motion.mode import Mode
from vario.flight.motion.turning import Turning
from vario.flight.setup import Setup
from vario.flight.stage import ResetReason

STRAIGHT_S = 3.0
"""Chosen on drawn shifts of the circle, see docs/accuracy.md."""


class Bells(Enum):
    """What the bells have announced, or would have announced."""

    NOT_CIRCLING = auto()
    CIRCLING = auto()


@dataclass(frozen=True, slots=True)
class BellInputs:
    """The inputs of the guards; `turning`: the glider turns now."""

    mode: Mode
    turning: bool


def circling(i: BellInputs) -> bool:
    """The mode is circling."""
    return i.mode is Mode.CIRCLING


def flying_straight(i: BellInputs) -> bool:
    """The mode is not circling, and the glider does not turn."""
    return i.mode is not Mode.CIRCLING and not i.turning


TRANSITIONS = (
    Transition(Bells.NOT_CIRCLING, Bells.CIRCLING, circling),
    Transition(Bells.CIRCLING, Bells.NOT_CIRCLING, flying_straight, STRAIGHT_S),
)


class CircleBellsStage:
    """Runs the table."""

    def __init__(self, setup: Setup) -> None:
        self._table = StateTable(TRANSITIONS)

    def configure(self, setup: Setup) -> None:
        """Nothing to configure."""

    def reset(self, reason: ResetReason) -> None:
        """The state stays, as the mode does; the hold time starts again."""
        self._table.restart_holds()

    def update(self, dt_s: float, mode: Mode, turning: Turning) -> Mode:
        """One frame; the mode that the bells announce."""
        self._table.update(BellInputs(mode, turning.now), dt_s)
        return Mode.CIRCLING if self._table.state is Bells.CIRCLING else mode
