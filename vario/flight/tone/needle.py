"""The damped values that the needle and the tone follow."""

from __future__ import annotations

from drivers.quick import dataclass
from vario.flight.core.low_pass import LowPass
from vario.flight.setup import Setup
from vario.flight.stage import ResetReason


@dataclass(frozen=True, slots=True)
class Needle:
    """Damped vertical speeds, up positive. None: not known."""

    vario_mps: float | None
    relative_netto_mps: float | None


class NeedleStage:
    """Damps the vario and relative netto by the pilot's setting."""

    def __init__(self, setup: Setup) -> None:
        damping_s = setup.settings.vario.damping_s
        self._vario, self._relative_netto = LowPass(damping_s), LowPass(damping_s)

    def configure(self, setup: Setup) -> None:
        """Take a changed time constant."""
        self._vario.configure(setup.settings.vario.damping_s)
        self._relative_netto.configure(setup.settings.vario.damping_s)

    def reset(self, reason: ResetReason) -> None:
        """The next known value is shown undamped."""
        self._vario.reset()
        self._relative_netto.reset()

    def update(self, vario_mps: float | None, relative_netto_mps: float | None, dt_s: float) -> Needle:
        """One frame."""
        return Needle(
            self._vario.update(vario_mps, dt_s), self._relative_netto.update(relative_netto_mps, dt_s)
        )
