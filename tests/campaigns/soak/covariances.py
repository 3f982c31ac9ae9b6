"""Whether the covariances of the filters are covariances: symmetric, and positive in every direction."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from vario.flight.pipeline import Pipeline

Floats = NDArray[np.float64]

MOST_ASYMMETRY = 1e-9
"""Of correlations, so that units do not matter. Rounding leaves some 1e-16, a wrong update far more."""


@dataclass(slots=True)
class Worst:
    """The worst seen of one filter.

    Attributes:
        checks: how often it was looked at.
        asymmetry: largest difference between a correlation and its mirror image.
        smallest: smallest eigenvalue of the correlation matrix. A covariance is positive definite exactly if
            this is above 0 (G. H. Golub, C. F. Van Loan, Matrix Computations, section 4.2).
        failed: how often it was not, or state or covariance were not finite.
    """

    checks: int = 0
    asymmetry: float = 0.0
    smallest: float = math.inf
    failed: int = 0

    def take(self, covariance: Floats, state: Floats) -> None:
        """Look at a covariance and the state it belongs to."""
        self.checks += 1
        variances = np.diag(covariance)
        if not (np.isfinite(covariance).all() and np.isfinite(state).all() and (variances > 0.0).all()):
            self.failed += 1
            return
        sigma = np.sqrt(variances)
        correlation = covariance / np.outer(sigma, sigma)
        asymmetry = float(np.abs(correlation - correlation.T).max())
        smallest = float(np.linalg.eigvalsh(0.5 * (correlation + correlation.T))[0])
        self.asymmetry = max(self.asymmetry, asymmetry)
        self.smallest = min(self.smallest, smallest)
        if asymmetry > MOST_ASYMMETRY or smallest <= 0.0:
            self.failed += 1


@dataclass(slots=True)
class CovarianceWatch:
    """Looks at every filter of a pipeline.

    Attributes:
        worst: by filter: of the estimator, of the wind, and the two of the pressures.
    """

    worst: dict[str, Worst] = field(default_factory=dict)

    def look(self, pipeline: Pipeline) -> None:
        """Look at all of them once."""
        for name, covariance, state in _filters(pipeline):
            self.worst.setdefault(name, Worst()).take(covariance, state)

    @property
    def failed(self) -> int:
        """How many looks found something wrong."""
        return sum(worst.failed for worst in self.worst.values())


def restarts(pipeline: Pipeline) -> int:
    """How often a filter had to begin afresh; a covariance made new cannot go wrong."""
    return pipeline._estimator.estimator.restarts + pipeline._wind._filter.restarts


def _filters(pipeline: Pipeline) -> Iterator[tuple[str, Floats, Floats]]:
    """Covariance and state of each. A pipeline shows them to nobody, so this reads its insides."""
    inertial = pipeline._estimator.estimator.inertial
    own = [*inertial.down, *inertial.air, inertial.climb_mps, inertial.height_m, inertial.gust_mps]
    yield "estimator", inertial.cov, np.array([*own, *inertial.x])
    wind = pipeline._wind._filter
    yield "wind", wind.covariance, wind.state
    for name in ("energy", "altitude"):
        rate = getattr(pipeline._estimator.estimator.air, name)
        covariance = np.array([[rate._p00, rate._p01], [rate._p01, rate._p11]])
        if rate.started:
            yield name, covariance, np.array([rate.value, rate.rate])
