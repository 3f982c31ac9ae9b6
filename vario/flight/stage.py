"""The contract of a stage, and the reasons for which stages are reset."""

from __future__ import annotations

from enum import Enum, auto
from typing import Protocol

from vario.flight.inputs.frames import Frame
from vario.flight.setup import Setup


class ResetReason(Enum):
    """Why a stage is reset."""

    START = auto()
    """The instrument has been switched on. Nothing is known."""
    GAP = auto()
    """No sample has arrived for a while. The motion in that time is not known, but its duration is known."""
    CLOCK_SET_BACK = auto()
    """The clock has been set back. The age of all stored values is not known any more."""


class Stage(Protocol):
    """One block of the pipeline.

    A stage is constructed with a `Setup`; it is then as after `configure` and `reset` with `START`. Each
    stage also has a method `update`, which is called once per frame with the outputs of earlier stages and
    returns its result.
    """

    def configure(self, setup: Setup) -> None:
        """Take changed settings from the next frame on; what was learned in flight stays."""

    def reset(self, reason: ResetReason) -> None:
        """Forget everything that is not valid any more after `reason`."""


def reset_reason(frame: Frame, last_s: float | None) -> ResetReason | None:
    """Whether the stages must be reset before a frame.

    Args:
        frame: the frame.
        last_s: time of the frame before; None for the first one.
    """
    if frame.dt_s != 0.0 or last_s is None:
        return None
    return ResetReason.GAP if frame.t_s > last_s else ResetReason.CLOCK_SET_BACK
