"""Tell open airbrakes from sinking air.

Netto assumes the sink of the polar. The estimator has a second value for the rise of the air, from attitude,
incidence and climb, without the polar. In sinking air they agree. With airbrakes, netto is lower by the sink
that the airbrakes add. Without an inertial unit there is no second value, and the two look the same.
"""

from __future__ import annotations

from vario.flight.core.low_pass import LowPass

LAG_S = 1.0
"""Smoothing of both values."""

OPEN_MPS, CLOSED_MPS = 1.5, 0.75
"""The airbrakes are open if netto is lower than the rise of the air by the first value, and closed again
below the second one. Chosen with `LAG_S` on drawn flights (docs/accuracy.md): with 1.0 m/s, sinking air was
taken for airbrakes."""

SINKING_MPS = -1.0
"""Open airbrakes also need a netto below this: a flap moved in lift changes the incidence, and adds no sink.
"""


class AirbrakeWatch:
    """Watches for airbrakes, or another drag that the polar does not have (a slip).

    Attributes:
        are_open: at the latest frame.
    """

    def __init__(self) -> None:
        self._netto, self._air_up = LowPass(LAG_S), LowPass(LAG_S)
        self.reset()

    def reset(self) -> None:
        """Closed, until the values show otherwise."""
        self._netto.reset()
        self._air_up.reset()
        self.are_open = False

    def update(self, netto_mps: float | None, air_up_mps: float | None, dt_s: float) -> bool:
        """One frame; a value that is not known resets to closed."""
        if netto_mps is None or air_up_mps is None:
            self.reset()
            return False
        netto_mps = self._netto.follow(netto_mps, dt_s)
        added_mps = self._air_up.follow(air_up_mps, dt_s) - netto_mps
        if self.are_open:
            self.are_open = added_mps > CLOSED_MPS
        else:
            self.are_open = added_mps > OPEN_MPS and netto_mps < SINKING_MPS
        return self.are_open
