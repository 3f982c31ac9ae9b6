"""Check that the covariances of the filters are symmetric and positive definite."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from vario.flight.pipeline import Pipeline

Floats = NDArray[np.float64]

MOST_ASYMMETRY = 1e-9
"""Limit of the asymmetry of correlations, which have no units. Rounding gives some 1e-16, a wrong update far
more.
"""


@dataclass(slots=True)
class Worst:
    """The worst values of one filter.

    Attributes:
        checks: number of checks.
        asymmetry: largest difference between a correlation and its mirror image.
        smallest: smallest eigenvalue of the correlation matrix. A covariance is positive definite exactly if
            this is above 0 (G. H. Golub, C. F. Van Loan, Matrix Computations, section 4.2).
        failed: how often it was not positive definite, or state or covariance were not finite.
    """

    checks: int = 0
    asymmetry: float = 0.0
    smallest: float = math.inf
    failed: int = 0

    def take(self, covariance: Floats, state: Floats) -> None:
        """Check a covariance and its state."""
        self.checks += 1
        known = ~(covariance.any(axis=0) | covariance.any(axis=1))  # exactly: no variance and no covariance
        covariance = covariance[np.ix_(~known, ~known)]
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
    """Checks every filter of a pipeline.

    Attributes:
        worst: by filter: of the estimator, of the wind, and the two of the pressures.
    """

    worst: dict[str, Worst] = field(default_factory=dict)

    def look(self, pipeline: Pipeline) -> None:
        """Check all filters once."""
        for name, covariance, state in _filters(pipeline):
            self.worst.setdefault(name, Worst()).take(covariance, state)

    @property
    def failed(self) -> int:
        """Number of failed checks."""
        return sum(worst.failed for worst in self.worst.values())


def restarts(pipeline: Pipeline) -> int:
    """Number of restarts of the filters; a covariance that is new after a restart cannot be wrong."""
    return pipeline._estimator.estimator.imu_watch.rejections + pipeline._wind._state.restarts


def _filters(pipeline: Pipeline) -> Iterator[tuple[str, Floats, Floats]]:
    """Covariance and state of each filter. A pipeline does not publish them, so this reads private
    attributes.
    """
    inertial = pipeline._estimator.estimator.inertial
    own = [*inertial.down, *inertial.air, inertial.climb_mps, inertial.height_m, inertial.gust_mps]
    yield "estimator", inertial.cov, np.array([*own, *inertial.x])
    wind = pipeline._wind._state
    yield "wind", wind.cov, wind.x
    for name in ("energy", "altitude"):
        rate = getattr(pipeline._estimator.estimator.air, name)
        covariance = np.array([[rate._p00, rate._p01], [rate._p01, rate._p11]])
        if rate.started:
            yield name, covariance, np.array([rate.value, rate.rate])
