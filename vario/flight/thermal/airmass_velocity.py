"""How fast the air rises at the glider, for finding where it rises most; with or without a glider file.

The vario's own crest is not where the air rises most. Flying into growing lift the wing carries more than the
weight, flying out of it less; sink grows with the load factor to the power 1.5 (the turning polar: A. and
L. Welch and F. Irving, The Complete Soaring Pilot's Handbook). So the glider sinks most ahead of the core and
least behind it, and the vario is best some degrees too late: with a sink s, a swing of the load Δn about n
and of the lift Δw, by about atan(1.5·s·Δn/(n·Δw)). Netto is free of that. Without a polar there is the
estimator's other route to the rise of the air (climb less climb through the air): good for the mean sink, too
rough for its swing around a circle, which the load factor gives.
"""

from __future__ import annotations

import math

from vario.flight.core.low_pass import low_pass_weight

USUAL_SINK_MPS = 0.9
"""Of a glider in a turn, until it is known better (common practice, no source)."""

USUAL_LOAD = 1.2
"""In that turn: 34 degrees of bank."""

LOAD_POWER = 1.5

SLOW_S = 30.0
"""The sink is a mean over more than a turn."""

SINK_LIMITS_MPS = (0.4, 4.0)
"""From the best glider to a training two-seater flown crosswise."""


class AirmassVelocity:
    """Follows the sink where there is no polar for it."""

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
        """One frame; None where there is no vario.

        Args:
            dt_s: time since the last.
            vario_mps: total-energy vario.
            netto_mps: where there is a polar.
            load: factor of the load, from the inertial sensor.
            air_up_mps: the rise of the air by the estimator's other route.
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
