"""Velocity over ground in the inertial filter: rows against a numeric Jacobian, update against filterpy."""

from __future__ import annotations

import math

import numpy as np
import pytest
from filterpy.kalman import KalmanFilter
from numpy.typing import NDArray

from vario.flight.estimate.ground import velocity_rows
from vario.flight.estimate.inertial_model import LATE, PSI, SIZE, WIND, V
from vario.flight.estimate.sequential_update import SequentialUpdate

Floats = NDArray[np.float64]

FASTER_MPS2 = (1.3, -0.7)
WIND_MPS = np.array([3.0, -2.0])


def _axes(heading: float, pitch: float, bank: float) -> Floats:
    """Directions north, east and down in body axes, shape (3, 3), from yaw, pitch, roll (aerospace
    convention).
    """
    (sh, ch), (sp, cp), (sb, cb) = ((math.sin(a), math.cos(a)) for a in (heading, pitch, bank))
    yaw = np.array([[ch, sh, 0.0], [-sh, ch, 0.0], [0.0, 0.0, 1.0]])
    tilt = np.array([[cp, 0.0, -sp], [0.0, 1.0, 0.0], [sp, 0.0, cp]])
    roll = np.array([[1.0, 0.0, 0.0], [0.0, cb, sb], [0.0, -sb, cb]])
    return (roll @ tilt @ yaw).T


def _velocity(axes: Floats, air: Floats, error: Floats) -> Floats:
    """North and east for a state with an error: directions turn by the tilt, the rest is added."""
    tilt = error[PSI : PSI + 3]
    turned = np.array([d + np.cross(d, tilt) for d in axes[:2]])
    late = -error[LATE] * np.array(FASTER_MPS2)
    return turned @ (air + error[V : V + 3]) + WIND_MPS + error[WIND : WIND + 2] + late


CASES = [(0.3, 0.05, 0.0), (2.0, -0.2, 0.7), (-1.2, 0.3, -0.9)]


def _rows(axes: Floats, air: Floats) -> Floats:
    north, east = ((float(d[0]), float(d[1]), float(d[2])) for d in axes[:2])
    return velocity_rows((float(air[0]), float(air[1]), float(air[2])), north, east, FASTER_MPS2)


@pytest.mark.parametrize("angles", CASES)
def test_the_rows_are_the_jacobian(angles: tuple[float, float, float]) -> None:
    axes, air = _axes(*angles), np.array([27.0, 0.8, -1.5])
    numeric = np.empty((2, SIZE))
    for k in range(SIZE):
        step = np.zeros(SIZE)
        step[k] = 1e-4
        numeric[:, k] = (_velocity(axes, air, step) - _velocity(axes, air, -step)) / 2e-4
    np.testing.assert_allclose(_rows(axes, air), numeric, atol=1e-7)


@pytest.mark.parametrize("angles", CASES)
def test_the_update_is_filterpys(angles: tuple[float, float, float]) -> None:
    rng = np.random.default_rng(3)
    root = rng.standard_normal((SIZE, SIZE))
    cov, rows = root @ root.T, _rows(_axes(*angles), np.array([27.0, 0.8, -1.5]))
    residuals, variance = [0.6, -1.1], 0.05
    general = KalmanFilter(dim_x=SIZE, dim_z=2)
    general.P, general.H, general.R = cov.copy(), rows, variance * np.eye(2)
    general.update(np.array([[r] for r in residuals]))
    mine, step = cov.copy(), np.zeros(SIZE)
    update = SequentialUpdate(mine, rows, step)
    for k in range(2):
        update.use(k, residuals[k] - update.expected(k), update.predicted_variance(k) + variance)
    update.finish()
    np.testing.assert_allclose(step, general.x[:, 0], rtol=1e-7, atol=1e-9)
    np.testing.assert_allclose(mine, general.P, rtol=1e-6, atol=1e-7)
