"""Settings of the tone: source, silent range, loudness, and the curves of pitch and beep rate."""

from collections.abc import Iterator
from dataclasses import fields, replace
from itertools import pairwise
from typing import Any, Literal

from drivers.quick import dataclass
from vario.settings.errors import Broken
from vario.settings.fields import Section, choice, number, optional, optional_number, quantity, section
from vario.settings.quantity import SPEED, dimension_of, key_of, show


class CruiseTone(Section):
    """The tone in cruise. Each source has its own timbre and rhythm."""

    source: Literal["vario", "relative netto", "speed to fly"] = choice(
        "vario",
        "vario: the same as while circling; relative netto: the climb rate that circling here would give,"
        " in double beeps; speed to fly: rising pairs of notes mean fly faster, falling pairs mean fly "
        "slower",
    )
    dead_band_low_mps: float = quantity(
        "-2 m/s",
        "-10 m/s",
        "0 m/s",
        "In cruise, sink stronger than this sounds. A glide is always in sink, which need not be heard "
        "all the time",
    )
    speed_dead_band_mps: float = quantity(
        "8 km/h",
        "2 km/h",
        "40 km/h",
        "The tone is silent if the airspeed differs from the speed to fly by less than this",
    )
    speed_full_mps: float = quantity(
        "50 km/h", "10 km/h", "200 km/h", "Speed difference at which the pairs are fastest"
    )
    speed_frequency_hz: float = quantity(
        "880 Hz", "400 Hz", "1500 Hz", "Frequency of the first note of a pair"
    )
    pair_rate_zero_hz: float = quantity(
        "0.7 Hz", "0.3 Hz", "2 Hz", "Pairs per second at the edge of the silent range"
    )
    pair_rate_full_hz: float = quantity(
        "2.5 Hz", "0.5 Hz", "4 Hz", "Pairs per second at the full speed difference"
    )

    def broken_rules(self) -> Iterator[Broken]:
        """A larger difference must sound faster."""
        yield from self.not_rising(
            "pair_rate_zero_hz", "pair_rate_full_hz", why="pair_rate_full must be the faster one"
        )
        yield from self.not_rising(
            "speed_dead_band_mps",
            "speed_full_mps",
            why="speed_full must lie above speed_dead_band, otherwise the speed to fly never sounds",
        )


@dataclass(frozen=True, slots=True)
class ToneCurve:
    """The points of the curves of pitch and beep rate. The settings of the same names describe them."""

    dead_band_low_mps: float = -0.5
    dead_band_high_mps: float = 0.1
    weak_lift_mps: float = 1.0
    full_scale_mps: float = 5.0
    frequency_sink_hz: float = 220.0
    frequency_zero_hz: float = 520.0
    frequency_weak_hz: float = 700.0
    frequency_full_hz: float = 1600.0
    beep_rate_zero_hz: float = 1.4
    beep_rate_weak_hz: float = 2.7
    beep_rate_full_hz: float = 8.0


TONE_PRESETS = {
    "balanced": ToneCurve(),
    # Lower and slower, for long flights.
    "calm": ToneCurve(-1.0, 0.2, 1.0, 5.0, 200.0, 500.0, 620.0, 1200.0, 1.2, 2.2, 6.0),
    # Higher, above the noise of a loud cockpit, most of which lies below 500 Hz (common practice, no source).
    "bright": ToneCurve(-0.5, 0.1, 1.0, 5.0, 300.0, 700.0, 960.0, 2400.0, 1.6, 3.2, 9.0),
    # The whole range is used for the first three metres per second.
    "weak day": ToneCurve(-0.8, 0.0, 0.5, 3.0, 220.0, 520.0, 700.0, 1600.0, 1.4, 2.7, 8.0),
}


def _curve_point(field: str, low: str, high: str, doc: str) -> Any:
    """A point of the curves of the tone; None: the value of the preset."""
    dimension = dimension_of(field)
    assert dimension is not None  # noqa: S101  (every point has one)
    texts = {name: show(getattr(curve, field), dimension) for name, curve in TONE_PRESETS.items()}
    presets = ", ".join(f"{name} {text}" for name, text in texts.items())
    return optional(texts["balanced"], low, high, f"{doc}; absent: from the preset ({presets})")


class Tone(Section):
    """The sound: beeps in lift, a low continuous tone in sink, silence in between."""

    volume: float = number(0.5, 0.0, 1.0, "Loudness of the tone, 0 to 1")
    volume_cruise: float | None = optional_number(
        0.3, 0.0, 1.0, "Loudness in cruise; absent: the same as volume"
    )
    # Common practice, no source: in tow and near the ground the radio and the outside have priority.
    volume_launch: float = number(0.25, 0.0, 1.0, "Loudness in launch, by tow or winch")
    volume_approach: float = number(0.25, 0.0, 1.0, "Loudness in approach")
    volume_ground: float = number(
        0.1,
        0.0,
        1.0,
        "Loudness on the ground. Cues and warnings keep their own loudness in launch, in approach and on the "
        "ground",
    )
    volume_cues: float = number(
        0.5, 0.0, 1.0, "Loudness of the cues, which are short sounds that report an event"
    )
    volume_warnings: float = number(
        0.9, 0.5, 1.0, "Loudness of those cues that are warnings; it cannot be set to zero"
    )
    volume_voice: float = number(0.5, 0.0, 1.0, "Loudness of spoken values")
    sink_volume_fraction: float = number(
        0.6, 0.0, 1.0, "Loudness of the sink tone as a fraction of the volume"
    )
    louder_with_speed: float = number(
        4.0,
        0.0,
        18.0,
        "Increase of the loudness, in dB, for each doubling of the airspeed above 90 km/h; 0: none",
    )
    preset: Literal["balanced", "calm", "bright", "weak day"] = choice(
        "balanced",
        "Curves of pitch and beep rate. calm: lower and slower; bright: higher, for a loud cockpit; weak "
        "day: more resolution in the first metres per second. A point that is set below replaces that of "
        "the preset",
    )
    dead_band_low_mps: float | None = _curve_point(
        "dead_band_low_mps", "-10 m/s", "0 m/s", "Sink stronger than this sounds"
    )
    dead_band_high_mps: float | None = _curve_point(
        "dead_band_high_mps", "0 m/s", "3 m/s", "Lift stronger than this sounds"
    )
    weak_lift_mps: float | None = _curve_point(
        "weak_lift_mps", "0.2 m/s", "5 m/s", "Weak lift, the middle point of the curves"
    )
    full_scale_mps: float | None = _curve_point(
        "full_scale_mps", "1 m/s", "15 m/s", "Lift or sink at which the pitch reaches its limit"
    )
    frequency_sink_hz: float | None = _curve_point(
        "frequency_sink_hz", "150 Hz", "500 Hz", "Frequency at full-scale sink"
    )
    frequency_zero_hz: float | None = _curve_point(
        "frequency_zero_hz", "300 Hz", "1000 Hz", "Frequency at zero lift"
    )
    frequency_weak_hz: float | None = _curve_point(
        "frequency_weak_hz", "310 Hz", "2000 Hz", "Frequency at weak lift"
    )
    frequency_full_hz: float | None = _curve_point(
        "frequency_full_hz", "600 Hz", "3000 Hz", "Frequency at full-scale lift"
    )
    beep_rate_zero_hz: float | None = _curve_point(
        "beep_rate_zero_hz", "0.5 Hz", "5 Hz", "Beeps per second at zero lift"
    )
    beep_rate_weak_hz: float | None = _curve_point(
        "beep_rate_weak_hz", "0.6 Hz", "8 Hz", "Beeps per second at weak lift"
    )
    beep_rate_full_hz: float | None = _curve_point(
        "beep_rate_full_hz", "2 Hz", "12 Hz", "Beeps per second at full-scale lift"
    )
    cruise: CruiseTone = section()

    @property
    def curve(self) -> ToneCurve:
        """The curve of the preset, with the points that are set."""
        points = {field.name: getattr(self, field.name) for field in fields(ToneCurve)}
        given = {name: value for name, value in points.items() if value is not None}
        return replace(TONE_PRESETS[self.preset], **given)

    def broken_rules(self) -> Iterator[Broken]:
        """More lift must sound higher and faster, and full scale must be audible."""
        yield from self._points_not_rising(
            "frequency", "frequency_sink_hz", "frequency_zero_hz", "frequency_weak_hz", "frequency_full_hz"
        )
        yield from self._points_not_rising(
            "beep rate", "beep_rate_zero_hz", "beep_rate_weak_hz", "beep_rate_full_hz"
        )
        yield from self._points_not_rising("lift", "dead_band_high_mps", "full_scale_mps")
        yield from self._points_not_rising("lift", "weak_lift_mps", "full_scale_mps")
        if -self.curve.dead_band_low_mps >= self.curve.full_scale_mps:
            full = show(self.curve.full_scale_mps, SPEED)
            text = (
                f"dead_band_low must lie within full_scale (here {full}), otherwise all sink sounds the same"
            )
            yield Broken(("dead_band_low", "full_scale"), text)

    def _points_not_rising(self, what: str, *names: str) -> Iterator[Broken]:
        """Neighbours on the curve in force whose values do not increase."""
        for low, high in pairwise(names):
            low_value, high_value = getattr(self.curve, low), getattr(self.curve, high)
            if low_value >= high_value:
                dimension = dimension_of(low)
                assert dimension is not None  # noqa: S101  (every point has one)
                points = f"{key_of(low)} to {key_of(high)}"
                here = f"{show(low_value, dimension)} to {show(high_value, dimension)}"
                yield Broken((key_of(low), key_of(high)), f"the {what} must rise from {points}, here {here}")
