"""Use the polar as a measurement of the inertial filter: the drag determines the incidence.

The power of the drag along the flight path, f·v/g, must equal the sink of the polar. Without a glider file a
typical polar is used here, and only here: netto and speeds are never computed from it.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drivers.isa import G0_MPS2
from vario.flight.estimate.inertial_model import ALPHA, SIZE, V

if TYPE_CHECKING:
    from vario.flight.estimate.inertial_state import InertialState

OFF_MPS, OFF_SIGMAS = 1.5, 2.0
"""A larger difference of the drag has another cause (airbrakes, a slip, a rope) ..."""

OFF_S = 180.0
"""... unless it lasts longer than any of these: then the incidence is wrong."""

TYPICAL_OFF_MPS = 1.0
"""The sink of a glider differs from a typical polar by this much. If the drag is known better, the typical
polar is not used. Chosen from 0.3, 0.5, 0.7, 1.0, 1.3 and 2.0 m/s: lower values give larger errors in
pull-ups, higher ones in rough air.
"""

MOST_MPS = 3.0
"""The difference of a single measurement is limited to this."""


class ByPolar:
    """Corrects v_z and the incidence from the drag, and no other state.

    If tilt and biases were corrected too, an error of the polar would become an error of the vario. Because
    this gain is not the optimal one, the covariance is updated in Joseph's form.
    """

    def __init__(self) -> None:
        self._off_s = 0.0

    def correct(
        self, state: InertialState, step: NDArray[np.float64], density_ratio: float, t: float
    ) -> None:
        """Use the drag of the last `t` seconds; adds to the correction `step`, changes the covariance."""
        n = state.noise
        fx, fy, fz = state.force
        vx, vy, vz = state.air
        load = math.sqrt(fx * fx + fy * fy + fz * fz) / G0_MPS2
        sink = state.wing.sink_mps(state.tas_mps, load, density_ratio)
        row = np.zeros(SIZE)
        row[V : V + 3] = fx / G0_MPS2, fy / G0_MPS2, fz / G0_MPS2
        innovation = -(fx * vx + fy * vy + fz * vz) / G0_MPS2 - sink - float(row @ step)
        spread = state.cov @ row
        signal = float(row @ spread)
        if state.wing.polar is None and signal < TYPICAL_OFF_MPS**2:
            return
        # Airbrakes, a slip or a rope change the drag for a while; a lasting difference is a wrong incidence.
        doubt = OFF_SIGMAS * math.sqrt(signal + n.polar_mps_sqrt_s**2)
        self._off_s = self._off_s + t if abs(innovation) > max(doubt, OFF_MPS) else 0.0
        if 0.0 < self._off_s < OFF_S:
            return
        total = signal + (n.polar_mps_sqrt_s if state.wing.polar else n.generic_polar) ** 2 / t
        gain = np.zeros(SIZE)
        gain[V + 2], gain[ALPHA] = spread[V + 2] / total, spread[ALPHA] / total
        step += gain * min(max(innovation, -MOST_MPS), MOST_MPS)
        both = np.multiply.outer(gain, spread)
        state.cov += total * np.multiply.outer(gain, gain) - both - both.T
