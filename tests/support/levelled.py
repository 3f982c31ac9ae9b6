"""The instrument of a flight with known truth, levelled on the ground as by its builder."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from tests.support.rms import rms
from tests.support.truth_dynamics import RATE_HZ
from tests.support.truth_flight import Flight
from tests.support.truth_gliders import GLIDERS, NOISE
from vario.app.calibrate.level import from_two_poses
from vario.app.replay.player import play
from vario.flight.pipeline import Pipeline
from vario.settings.schema import Settings

TAIL_UP_RAD = math.radians(12.0)


def levelled(flight: Flight) -> Settings:
    """The settings `vario calibrate level` writes after the fuselage was level and then its tail lifted.

    The calibration does not know the bias of the accelerometer, so the bias affects the result.
    """
    outcome = from_two_poses(flight.on_the_ground(0.0), flight.on_the_ground(TAIL_UP_RAD))
    return Settings.model_validate({"sensors": {"imu": dict(outcome.settings["sensors.imu"])}})


def attitude_errors_deg(flight: Flight, glider: str, settings: Settings) -> tuple[float, float]:
    """RMS of pitch and bank against the glider's own over the scene, degrees."""
    pipeline = Pipeline(settings, GLIDERS[glider], NOISE)
    told = [
        (r.t_s, r.attitude.pitch_rad, r.attitude.bank_rad)
        for r in play(flight.samples(), pipeline)
        if r.attitude is not None and flight.score_from_s < r.t_s <= flight.truth["t_s"][-1]
    ]
    t_s, pitch, bank = np.array(told).T
    truth = flight.truth[np.round(t_s * RATE_HZ).astype(np.int64) - 1]
    assert len(truth) > 0.95 * 50.0 * (flight.truth["t_s"][-1] - flight.score_from_s)
    return _rms_deg(pitch - truth["pitch_rad"]), _rms_deg(bank - truth["bank_rad"])


def _rms_deg(error_rad: NDArray[np.float64]) -> float:
    return rms(np.degrees((error_rad + math.pi) % math.tau - math.pi))
