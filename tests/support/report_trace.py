"""A trace to draw: the parts of a flight, everything known, nothing realistic."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from vario.app.outputs.themes.primary import PRIMARY

Trace = dict[str, NDArray[Any]]
FLOATS = [output.name for output in PRIMARY if output.name not in ("t_s", "mode", "quality")]
FLOATS += ["latitude_deg", "longitude_deg"]

A_DEGREE_M = 111_195.0  # on a sphere with the mean radius of the Earth, at the equator
CLIMB = {
    "start_s": 150.0,
    "end_s": 280.0,
    "gain_m": 260.0,
    "average_mps": 2.0,
    "turns": 5.2,
    "direction": "left",
}


def flight(seconds: int = 400, rate_hz: int = 10) -> Trace:
    """A fifth each of ground, launch, cruise, circling and approach; everything known, nothing realistic."""
    n = seconds * rate_hz
    t_s = np.arange(n) / rate_hz
    slow = np.sin(t_s / 30)
    trace: Trace = dict.fromkeys(FLOATS, 1.0 + slow)
    trace["t_s"] = t_s
    trace["mode"] = np.repeat(["ground", "launch", "cruise", "circling", "approach"], -(-n // 5))[:n]
    trace["quality"] = np.full(n, "ok")
    trace["altitude_m"] = 500 + t_s
    trace["ias_mps"] = 25 + 5 * slow
    trace["wind_east_mps"] = np.full(n, 4.0)
    trace["wind_north_mps"] = np.full(n, -3.0)
    trace["longitude_deg"], trace["latitude_deg"] = 9.0 + 30 * t_s / A_DEGREE_M, 20 * t_s / A_DEGREE_M
    return trace


def without(trace: Trace, *names: str) -> Trace:
    return {name: np.full(values.size, np.nan) if name in names else values for name, values in trace.items()}
