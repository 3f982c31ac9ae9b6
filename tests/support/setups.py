"""Setups for tests of single stages."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any

from vario.flight.core.polar import QuadraticPolar
from vario.flight.inputs.frames import Frame
from vario.flight.inputs.health import HealthStage, Inputs
from vario.flight.setup import Setup
from vario.flight.stage import reset_reason
from vario.settings.glider import Limits
from vario.settings.schema import Settings


def setup(
    *,
    polar: QuadraticPolar | None = None,
    limits: Limits | None = None,
    mass_ratio: float = 1.0,
    maccready_mps: float | None = None,
    mode: str = "automatic",
    low_voltage_v: float | None = None,
    **sections: Any,
) -> Setup:
    """Default settings with some sections replaced, and a glider made of its parts."""
    settings = Settings()
    flight = {"mode": mode} if maccready_mps is None else {"mode": mode, "maccready_mps": maccready_mps}
    supply = settings.sensors.supply.model_copy(update={"low_voltage_v": low_voltage_v})
    changed = {
        "flight": settings.flight.model_copy(update=flight),
        "sensors": settings.sensors.model_copy(update={"supply": supply}),
    }
    return Setup(
        settings.model_copy(update=changed | sections), polar=polar, limits=limits, mass_ratio=mass_ratio
    )


def check_frames(health: HealthStage, frames: Iterable[Frame]) -> Iterator[Inputs]:
    """Frames through the health stage, which is reset at a break as the pipeline does it."""
    last_s: float | None = None
    for frame in frames:
        reason = reset_reason(frame, last_s)
        if reason is not None:
            health.reset(reason)
        last_s = frame.t_s
        yield health.update(frame)
