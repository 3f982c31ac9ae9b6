"""Consistency of the inertial filter: NEES and NIS against chi-square.

The flights are drawn from the model of the filter (`consistency`); `python -m tests.bench.consistency` runs
many more. Source: Y. Bar-Shalom, X. R. Li, T. Kirubarajan, Estimation with Applications to Tracking and
Navigation, 2001, section 5.4. Bounds: 99.9 %, two-sided, by scipy.
"""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import chi2

from tests.support.compiled import interpreted_only
from tests.support.consistency import GROUPS, MEASUREMENTS, Outcome, fly

pytestmark = interpreted_only


@pytest.fixture(
    scope="module", params=[2, *(pytest.param(count, marks=pytest.mark.long) for count in (10, 20))]
)
def flights(request: pytest.FixtureRequest) -> list[Outcome]:
    """More flights detect a smaller error; fewer need less time."""
    return [fly(seed) for seed in range(request.param)]


@pytest.mark.parametrize("group", GROUPS)
def test_errors_are_as_large_as_it_says(group: str, flights: list[Outcome]) -> None:
    low, high = chi2.ppf([5e-4, 1.0 - 5e-4], len(flights) * GROUPS[group])
    assert low < sum(flight.nees[group] for flight in flights) < high


@pytest.mark.parametrize("measurement", MEASUREMENTS)
def test_innovations_are_as_large_as_it_says_and_white(measurement: str, flights: list[Outcome]) -> None:
    runs = [np.array(flight.residuals[measurement]) for flight in flights]
    count = sum(len(run) for run in runs)
    low, high = chi2.ppf([5e-4, 1.0 - 5e-4], count)
    assert low < sum(float(run @ run) for run in runs) < high
    # The correlation from one to the next scatters by 1/√n if they are white (section 5.4.2).
    following = sum(float(run[1:] @ run[:-1]) for run in runs) / count
    assert abs(following) < 3.3 / np.sqrt(count)
