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
"""A larger difference of the drag has another cause: airbrakes, a slip or a rope."""

OFF_S = 180.0
"""None of these causes lasts for so long. If the difference does, the incidence is wrong."""

TYPICAL_OFF_MPS, TYPICAL_OFF_ROUGH_MPS = 1.0, 0.4
"""If the drag is known better than this, a typical polar is not used, because the sink of a glider differs
from it. In calm air the lift curve determines the incidence in changes of speed. In rough air it does not
(`CONSIDERED` of `inertial_model`), and the typical polar is the better knowledge. Chosen from 0.3 to 2.0 m/s,
and from 0.4, 0.6 and 1.0 m/s.
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
        pht = state.cov @ row
        hpht = float(row @ pht)
        known_mps = TYPICAL_OFF_MPS if state.calm else TYPICAL_OFF_ROUGH_MPS
        if state.wing.polar is None and hpht < known_mps**2:
            return
        doubt = OFF_SIGMAS * math.sqrt(hpht + n.polar_mps_sqrt_s**2)
        self._off_s = self._off_s + t if abs(innovation) > max(doubt, OFF_MPS) else 0.0
        if 0.0 < self._off_s < OFF_S:
            return
        s = hpht + n.polar_mps_sqrt_s**2 / t
        gain = np.zeros(SIZE)
        gain[V + 2], gain[ALPHA] = pht[V + 2] / s, pht[ALPHA] / s
        step += gain * min(max(innovation, -MOST_MPS), MOST_MPS)
        both = np.multiply.outer(gain, pht)
        state.cov += s * np.multiply.outer(gain, gain) - both - both.T
