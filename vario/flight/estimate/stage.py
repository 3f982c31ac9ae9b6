"""The estimator as a stage of the pipeline."""

from __future__ import annotations

from vario.flight.estimate.estimator import Estimator
from vario.flight.estimate.inertial_model import Wing
from vario.flight.estimate.result import Estimate, EstimatorSettings
from vario.flight.inputs.health import Inputs
from vario.flight.motion.mode import Mode
from vario.flight.setup import Setup
from vario.flight.stage import ResetReason


class EstimatorStage:
    """Runs the estimator.

    Attributes:
        estimator: the filters themselves.
    """

    def __init__(self, setup: Setup) -> None:
        self.estimator = Estimator(estimator_settings(setup))

    def configure(self, setup: Setup) -> None:
        """Take changed settings: the wing and the gust rejection. Sensors do not change in flight."""
        self.estimator.configure(wing_of(setup), setup.settings.vario.gust_rejection_time_s)

    def reset(self, reason: ResetReason) -> None:
        """Nothing to do: the estimator restarts by itself at a frame without `dt_s`."""

    def update(self, inputs: Inputs, mode: Mode) -> Estimate:
        """One frame; `mode` is that of the frame before."""
        return self.estimator.update(inputs, on_tow=mode is Mode.LAUNCH)


def wing_of(setup: Setup) -> Wing:
    """The wing for the estimator; without a glider file a typical one, without polar."""
    if setup.wing_loading_kgpm2 is None:
        return Wing.loaded()
    return Wing.loaded(setup.wing_loading_kgpm2, setup.polar)


def estimator_settings(setup: Setup) -> EstimatorSettings:
    """The estimator's settings for this glider and these sensors."""
    sensors = setup.settings.sensors
    return EstimatorSettings(
        wing_of(setup),
        baro_pa=setup.noise.baro_pa,
        pitot_pa=setup.noise.pitot_pa,
        baro_latency_s=sensors.baro.latency_s,
        pitot_lag_s=sensors.pitot.lag_s,
        lever_m=(sensors.imu.forward_m, sensors.imu.right_m, sensors.imu.below_m),
        gust_rejection_time_s=setup.settings.vario.gust_rejection_time_s,
    )
