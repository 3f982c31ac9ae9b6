"""Vertical velocity of the air at the glider, for centring, with or without a glider file.

The maximum of the vario is not where the air rises fastest. When the glider flies into growing lift, the wing
carries more than the weight, and when it flies out of it, less; the sink grows with the load factor to the
power 1.5 (the turning polar: A. and L. Welch and F. Irving, The Complete Soaring Pilot's Handbook). So the
glider sinks most before the core and least after it, and the maximum of the vario comes some degrees too
late: with a sink s, a change of the load Δn about n and of the lift Δw, by about atan(1.5·s·Δn/(n·Δw)). Netto
does not have this error. Without a polar the mean sink is taken from the estimator's second estimate of the
air's velocity (climb minus climb through the air), and its change around a circle from the load factor.
"""

from __future__ import annotations

import math

from vario.flight.core.low_pass import low_pass_weight

USUAL_SINK_MPS = 0.9
"""Initial value: the sink of a glider in a turn (common practice, no source)."""

USUAL_LOAD = 1.2
"""Load factor in that turn: 34 degrees of bank."""

LOAD_POWER = 1.5

SLOW_S = 30.0
"""Time constant of the mean sink: longer than a turn."""

SINK_LIMITS_MPS = (0.4, 4.0)
"""From the best glider to a training two-seater with sideslip."""


class AirmassVelocity:
    """Learns the sink if there is no polar."""

    def __init__(self) -> None:
        self._sink_mps = USUAL_SINK_MPS
        self._load = math.pow(USUAL_LOAD, LOAD_POWER)

    def update(
        self,
        dt_s: float,
        vario_mps: float | None,
        netto_mps: float | None,
        load: float | None,
        air_up_mps: float | None,
    ) -> float | None:
        """One frame; returns the velocity, up positive, or None without a vario.

        Args:
            dt_s: time since the last.
            vario_mps: total-energy vario.
            netto_mps: None without a polar.
            load: load factor from the inertial sensor.
            air_up_mps: the estimator's second estimate of the air's velocity.
        """
        if vario_mps is None or netto_mps is not None:
            return netto_mps
        if load is None:
            return vario_mps + self._sink_mps
        power = math.pow(max(load, 0.0), LOAD_POWER)
        if air_up_mps is not None:
            share = low_pass_weight(dt_s, SLOW_S)
            self._sink_mps += share * (air_up_mps - vario_mps - self._sink_mps)
            self._load += share * (power - self._load)
        low, high = SINK_LIMITS_MPS
        sink_mps = min(max(self._sink_mps, low), high)
        return vario_mps + sink_mps * power / self._load
