"""A level flight, and settings to be changed in it."""

from __future__ import annotations

from drivers.samples import Baro, GnssPos, GnssVel, Pitot, Sample
from vario.flight.motion.energy import Noise

NOISE = Noise(1.5, 1.0)


def flight(seconds: int = 60) -> list[Sample]:
    """Straight and level at 1000 m and about 120 km/h, 10 Hz."""
    samples: list[Sample] = []
    for k in range(seconds * 10):
        t_s = k / 10
        samples += [Baro(t_s, 89874.6 + (k % 3 - 1)), Pitot(t_s, 620.0)]
        if k % 10 == 0:
            samples += [
                GnssPos(t_s, 50.0 + 33.0 * t_s / 111_200, 10.0, 1000.0),
                GnssVel(t_s, 33.0, 0.0, None),
            ]
    return samples


def settings_text(maccready: str) -> str:
    return f'glider = "glider.toml"\n[flight]\nmaccready = "{maccready}"\n[speed_to_fly]\nmode = "block"\n'
