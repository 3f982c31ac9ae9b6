"""What the pilot hears: beeps in lift, a steady low tone in sink, quiet in between.

Pitch follows the vario exponentially: equal steps of climb are equal musical intervals, because the
ear judges pitch by ratio. The least ratio a listener notices is 0.6 % for frequencies above 1 kHz and
about 3 Hz below 500 Hz (Kollmeier, Brand and Meyer, "Perception of speech and sound", 2008, as
encyclopaedias quote it). With the default settings 0.1 m/s moves the pitch by 2.2 % in lift
and 1.6 % in sink.

Cadence is exponential as well, since a change of tempo too is noticed by its ratio (6 % for a single
interval: Drake and Botte, Perception & Psychophysics 54, 1993). The settings keep it at 12 beeps a
second or fewer: faster click trains lose their rhythm and, above 20 to 30 a second, fuse into a pitch.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import Enum, auto

from vario.settings.schema import Tone

HYSTERESIS_MPS = 0.05
"""How far the vario must fall back into the quiet band before a sound stops, so that it does not stutter."""


@dataclass(frozen=True, slots=True)
class ToneCommand:
    """What should sound from now on.

    Attributes:
        pitch_hz: fundamental frequency; meaningful in silence too, so that a sound begins in tune.
        beep_hz: beeps a second; None is a continuous tone.
        level: amplitude, 0 (silence) to 1.
    """

    pitch_hz: float
    beep_hz: float | None
    level: float


class _Zone(Enum):
    SINK = auto()
    QUIET = auto()
    LIFT = auto()


class ToneStage:
    """Turns the damped vario into a `ToneCommand`.

    Remembers only in which zone (sink, quiet, lift) the last value lay, for the hysteresis.
    """

    def __init__(self, settings: Tone) -> None:
        self._settings = settings
        self._zone = _Zone.QUIET
        low, high = settings.quiet_from_mps, settings.quiet_to_mps
        # By present zone: the value below which it becomes sink, and the one above which it becomes lift.
        # The max and min matter only where the quiet band is narrower than the hysteresis.
        self._thresholds_mps = {
            _Zone.SINK: (low + HYSTERESIS_MPS, max(low + HYSTERESIS_MPS, high)),
            _Zone.QUIET: (low, high),
            _Zone.LIFT: (min(low, high - HYSTERESIS_MPS), high - HYSTERESIS_MPS),
        }

    def update(self, vario_mps: float | None) -> ToneCommand:
        """The command for this value of the damped vario; silence where it is None."""
        if vario_mps is None:
            self._zone = _Zone.QUIET
            return ToneCommand(self._settings.pitch_zero_hz, None, 0.0)
        sink_below_mps, lift_above_mps = self._thresholds_mps[self._zone]
        pitch_hz = self._pitch_hz(vario_mps)
        if vario_mps < sink_below_mps:
            self._zone = _Zone.SINK
            return ToneCommand(pitch_hz, None, self._settings.volume)
        if vario_mps > lift_above_mps:
            self._zone = _Zone.LIFT
            return ToneCommand(pitch_hz, self._beep_hz(vario_mps), self._settings.volume)
        self._zone = _Zone.QUIET
        return ToneCommand(pitch_hz, None, 0.0)

    def _pitch_hz(self, vario_mps: float) -> float:
        settings = self._settings
        scale = min(abs(vario_mps) / settings.full_scale_mps, 1.0)
        end_hz = settings.pitch_full_hz if vario_mps > 0.0 else settings.pitch_sink_hz
        return _between(settings.pitch_zero_hz, end_hz, scale)

    def _beep_hz(self, vario_mps: float) -> float:
        settings = self._settings
        above_mps = max(vario_mps - settings.quiet_to_mps, 0.0)
        scale = min(above_mps / (settings.full_scale_mps - settings.quiet_to_mps), 1.0)
        return _between(settings.beeps_zero_hz, settings.beeps_full_hz, scale)


def _between(start_hz: float, end_hz: float, scale: float) -> float:
    """From start (scale 0) to end (scale 1) in equal ratios."""
    return float(start_hz * (end_hz / start_hz) ** scale)
