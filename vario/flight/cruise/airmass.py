"""Vertical motion of the air: netto and relative netto.

Netto is the vario plus the sink of the glider at this airspeed and load. With an inertial unit its fast part
is corrected (`fast_netto`).

Relative netto is netto less the sink of a circling glider: the climb that circling here would give. Neither
is given without airspeed, without a glider file, on the ground, on tow or with open airbrakes, where the
polar does not describe the glider's energy.
"""

from __future__ import annotations

from drivers.quick import dataclass
from vario.flight.core.low_pass import LowPass
from vario.flight.core.polar import true_scale
from vario.flight.cruise.airbrakes import AirbrakeWatch
from vario.flight.cruise.fast_netto import FastNetto
from vario.flight.estimate.result import Estimate
from vario.flight.estimate.shown import SMOOTHING_S
from vario.flight.inputs.health import Inputs
from vario.flight.motion.attitude import Attitude
from vario.flight.motion.energy import Energy
from vario.flight.motion.mode import Mode
from vario.flight.setup import Setup
from vario.flight.stage import ResetReason

POLAR_FROM = 0.8
"""Below this share of the minimum-sink speed the polar does not describe the glider."""

LOAD_KEPT_S = 3.0
"""A load factor from another instrument is used for this long; then straight flight is assumed."""

LOAD_LAG_PRESSURES_S = 0.3
"""Smoothing of the load factor where the vario comes from the pressures alone. With the inertial unit it is
`SMOOTHING_S`, that of the vario: the drag changes with the load at once, and a sink that is later than the
vario reads as lift and sink in every pull-up.
"""


@dataclass(frozen=True, slots=True)
class Airmass:
    """Vertical speeds, up positive; None: not known. `braking`: the airbrakes are open."""

    netto_mps: float | None
    relative_netto_mps: float | None
    braking: bool = False


NOTHING = Airmass(None, None)
BRAKING = Airmass(None, None, braking=True)


class AirmassStage:
    """Computes netto and relative netto."""

    def __init__(self, setup: Setup) -> None:
        self.configure(setup)
        self.reset(ResetReason.START)

    def configure(self, setup: Setup) -> None:
        """Take a changed polar, or a changed bank or airspeed of circling."""
        self._polar = setup.polar
        self._circling_sink_mps = setup.circling_sink_mps

    def reset(self, reason: ResetReason) -> None:
        """Assume straight flight until the next load factor."""
        self._load = LowPass(LOAD_LAG_PRESSURES_S, 1.0)
        self._load_sample = 1.0
        self._load_age_s = 0.0
        self._airbrakes = AirbrakeWatch()
        self._fast = FastNetto()

    def update(self, inputs: Inputs, estimate: Estimate, mode: Mode) -> Airmass:
        """One frame. `mode` is that of the frame before."""
        inertial = estimate.diagnostics.gust_free_mps is not None
        self._load.configure(SMOOTHING_S if inertial else LOAD_LAG_PRESSURES_S)
        netto_mps, scale = self._netto_mps(inputs, estimate.attitude, estimate.energy, mode)
        air_up_mps, dt_s = estimate.diagnostics.air_up_mps, inputs.frame.dt_s
        if self._airbrakes.update(netto_mps, air_up_mps, dt_s):
            return BRAKING
        if netto_mps is None:
            self._fast.pause()
            return NOTHING
        netto_mps += self._fast.correction_mps(netto_mps, air_up_mps, dt_s)
        return Airmass(netto_mps, netto_mps - scale * self._circling_sink_mps)

    def _netto_mps(
        self, inputs: Inputs, attitude: Attitude | None, energy: Energy, mode: Mode
    ) -> tuple[float | None, float]:
        """Netto by the polar, and the factor from equivalent to true speeds."""
        load = self._load_factor(inputs, attitude)
        if self._polar is None or energy.vario_mps is None or energy.ias_mps is None:
            return None, 1.0
        if mode in (Mode.GROUND, Mode.LAUNCH):
            return None, 1.0
        if energy.ias_mps < POLAR_FROM * self._polar.min_sink_speed_mps or energy.density_kgpm3 is None:
            return None, 1.0
        scale = true_scale(energy.density_kgpm3)
        return energy.vario_mps + scale * self._polar.sink_loaded_mps(energy.ias_mps, load), scale

    def _load_factor(self, inputs: Inputs, attitude: Attitude | None) -> float:
        """The smoothed load factor: of the IMU, otherwise of another instrument, otherwise 1."""
        self._load_age_s += inputs.frame.dt_s
        if inputs.frame.load_factor:
            self._load_sample, self._load_age_s = inputs.frame.load_factor[-1].load, 0.0
        elif self._load_age_s > LOAD_KEPT_S:
            self._load_sample = 1.0
        target = self._load_sample if attitude is None else attitude.load_factor
        return self._load.follow(target, inputs.frame.dt_s)
