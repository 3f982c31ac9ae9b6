"""Innovations of a filter: the difference of each measurement from its prediction, with its variance.

If the noise parameters of a filter are right, its innovations are white and as large as their variance says.
`vario noise flight` uses this; it shows whether a filter trusts its measurements too much or too little.
"""

from __future__ import annotations

from drivers.quick import dataclass


@dataclass(frozen=True, slots=True)
class Innovation:
    """A measurement minus its prediction, and the variance that the filter expects of this difference.

    `used` is False if the measurement was rejected or given less weight (a gate).
    """

    residual: float
    variance: float
    used: bool = True

    @property
    def nis(self) -> float:
        """Normalised innovation squared: 1 on average if the filter is consistent."""
        return self.residual * self.residual / self.variance
