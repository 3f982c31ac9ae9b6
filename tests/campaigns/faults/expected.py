"""What a cell of the matrix may show: bounds, words of `quality`, times, and the reason."""

from __future__ import annotations

from dataclasses import dataclass

from tests.campaigns.faults.cells import AHEAD, BACK, DISORDER, FROZEN, LOST, NAN, PHASES, STOP, TWICE

BACK_S = 10.0
FALSE_S = 2.0
USUAL_MPS = 0.8
"""Without any fault the largest error of the needle in these gusty flights, in the minute of a fault, is 0.3
to 0.5 m/s.
"""
WHOLE_MPS = 1.2
"""The same in the whole flight, for a sensor that is missing from the start: 0.8 in cruise and circling, 1.1
in the launch. The default damping of 0.2 s does not hide it.
"""


@dataclass(frozen=True, slots=True)
class Expected:
    """An expectation, with its reason.

    Attributes:
        error_mps: bound of the error of the vario while it is shown; None: no bound is possible.
        why: the reason.
        says: the word that `quality` must contain during the fault; "": none.
        within_s: the time within which the word must appear.
        silent: after this time no vario is shown and the tone is silent.
        tone_kept: the tone sounds no false climb.
        low_battery: the battery warning sounds; otherwise it must not.
        back_s: the time after the fault within which vario and quality must be as without it.
    """

    error_mps: float | None
    why: str
    says: str = ""
    within_s: float = 2.0
    silent: bool = False
    tone_kept: bool = True
    low_battery: bool = False
    back_s: float = BACK_S


@dataclass(frozen=True, slots=True)
class Row:
    """An expectation and its cells."""

    sensor: str
    faults: tuple[str, ...]
    expected: Expected
    phases: tuple[str, ...] = PHASES


GONE = (LOST, FROZEN, NAN, STOP, AHEAD, BACK)
HARMLESS = (TWICE, DISORDER)
TWICE_WHY = "A repeated reading has no effect; a reading out of order is rejected, and enough others remain."
