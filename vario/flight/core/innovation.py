"""Watching an estimator from outside: how far each measurement was from what the filter expected.

A filter whose noise figures are right has innovations that are white and as large as it says they are. That
is what `vario tune flight` uses, and what shows a filter that believes too much or too little.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from drivers.quick import quick


@quick
@dataclass(frozen=True, slots=True)
class Innovation:
    """One measurement less what was expected of it, and the variance the filter gave that difference.

    `used` is False where the measurement was refused or counted for less (a gate).
    """

    residual: float
    variance: float
    used: bool = True

    @property
    def nis(self) -> float:
        """Normalised innovation squared: 1 on average if the filter is consistent."""
        return self.residual * self.residual / self.variance

    @property
    def log_likelihood(self) -> float:
        """Logarithm of the normal density of the residual."""
        return -0.5 * (self.nis + math.log(2.0 * math.pi * self.variance))
