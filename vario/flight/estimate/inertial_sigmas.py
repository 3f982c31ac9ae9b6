"""Standard deviations of the outputs of the inertial filter, from the covariance of its states."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drivers.isa import G0_MPS2
from vario.flight.estimate.inertial_model import CLIMB, PSI, SIZE

if TYPE_CHECKING:
    from vario.flight.estimate.inertial_state import InertialState


def vario_row(state: InertialState) -> NDArray[np.float64]:
    """Derivative of `vario_mps` with respect to the errors of the states, shape (SIZE,)."""
    dx, dy, dz = state.down
    vx, vy, vz = state.air
    fx, fy, fz = state.force
    row = np.zeros(SIZE)
    row[: CLIMB + 1] = (
        *(vy * dz - vz * dy, vz * dx - vx * dz, vx * dy - vy * dx),
        *(dx + fx / G0_MPS2, dy + fy / G0_MPS2, dz + fz / G0_MPS2),
        *(0.0, 0.0, 0.0),
        *(-vx / G0_MPS2, -vy / G0_MPS2, -vz / G0_MPS2),
        1.0,
    )
    return row


def vario_sigma_mps(state: InertialState) -> float:
    """One standard deviation of `vario_mps`."""
    row = vario_row(state)
    return math.sqrt(max(float(row.dot(state.cov.dot(row))), 0.0))


def attitude_sigma_rad(state: InertialState) -> float:
    """One standard deviation of pitch and bank, as the RMS of the two: (tr P - d'P d)/2 is its square."""
    tilt = state.cov[PSI : PSI + 3, PSI : PSI + 3].tolist()
    about_down = math.fsum(
        a * b * p
        for a, row in zip(state.down, tilt, strict=True)
        for b, p in zip(state.down, row, strict=True)
    )
    return math.sqrt(max(0.5 * (tilt[0][0] + tilt[1][1] + tilt[2][2] - about_down), 0.0))
