"""The summary of a flight: the main figures, and warnings about them."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import asdict
from typing import Any

from drivers.events import Mark, SettingsChange
from drivers.samples import CHANNELS, Reference
from hw_replay.source import GNSS_AS_BARO, Source
from vario.app.outputs.figures import Figures
from vario.app.outputs.flights import Flights
from vario.app.outputs.ground_watch import GroundWatch
from vario.flight.inputs.frames import JUMP_S
from vario.flight.inputs.health import HealthStage
from vario.flight.inputs.quality import Quality
from vario.flight.motion.energy import Noise
from vario.flight.motion.flying import FlyingSpeed
from vario.flight.reading import Reading
from vario.flight.thermal.climbs import Climb
from vario.settings.display import DisplayUnits
from vario.settings.errors import SettingsError
from vario.settings.glider import Glider

SENSOR_LOSS = {
    "baro": "no barometer in this recording: height and climb are unknown",
    "pitot": (
        "no airspeed in this recording: the vario is uncompensated (pulling up reads as lift), and there "
        "is no netto"
    ),
    "imu_accel": "no accelerometer in this recording: no attitude, and a horizontal gust reads as lift",
    "imu_gyro": "no gyro in this recording: no attitude, and a horizontal gust reads as lift",
    "gnss_vel": "no GNSS velocity in this recording: no wind, and no track",
}

CONTRADICTED = {
    Quality.BARO_DOUBTFUL: "the barometer contradicted other sensors for {} s: no vario there",
    Quality.AIRSPEED_DOUBTFUL: "the airspeed contradicted other sensors for {} s; it was not used there",
    Quality.IMU_OFF: (
        "the inertial unit contradicted itself or other sensors for {} s; the vario did not use it there, "
        "and a horizontal gust read as lift"
    ),
    Quality.GNSS_ALTITUDE_DOUBTFUL: (
        "the GNSS altitude contradicted the barometer for {} s; it was not used for the glide there"
    ),
    Quality.MASS_DOUBTFUL: (
        "the mass in the settings was too small for the lift curve for {} s: check it; netto and speeds were "
        "wrong there"
    ),
}
"""A sentence for each doubt, with its duration."""


MOST_MARKS = 1000
"""More marks than a pilot sets in a day. The page and the picture show all of them."""


class FlightSummary:
    """Collects the summary during the flight. Memory grows only with the number of climbs.

    Args:
        units: the units of the warnings, which people read; all other values are in SI units.
    """

    def __init__(self, units: DisplayUnits) -> None:
        self._first_s: float | None = None
        self._last_s = 0.0
        self._quality_s: defaultdict[str, float] = defaultdict(float)
        self._quality: Quality | None = None
        self._flags: tuple[str, ...] = ()
        self._whole = Figures()
        self.climbs: list[Climb] = []
        self._latest: Reading | None = None
        self._breaks = 0
        self._marks: list[dict[str, Any]] = []
        self._marks_left_out = 0
        self._changes: list[dict[str, Any]] = []
        self._passed_over = 0
        self._ground = GroundWatch(units)
        self._flights = Flights()
        self._glide_made: bool | None = None
        self._glide_calls: list[dict[str, Any]] = []

    def take(self, reading: Reading) -> None:
        """Add one reading."""
        if self._first_s is None:
            self._first_s = self._last_s = reading.t_s
        step_s = reading.t_s - self._last_s
        if step_s > JUMP_S:
            self._breaks += 1
            step_s = 0.0
        self._last_s = reading.t_s
        self._whole.take(reading, step_s)
        self._flights.take(reading, step_s)
        if reading.quality is not self._quality:
            self._quality = reading.quality
            self._flags = tuple(str(flag) for flag in reading.quality)
        for flag in self._flags:
            self._quality_s[flag] += step_s
        self._ground.take(reading, step_s)
        self._note_glide(reading)
        self._latest = reading

    def _note_glide(self, reading: Reading) -> None:
        """When the glide to the goal was made and when it was lost."""
        made = None if reading.glide is None else reading.glide.made
        if made is not None:
            if made is not bool(self._glide_made):
                self._glide_calls.append({"t_s": round(reading.t_s, 2), "made": made})
            self._glide_made = made

    def mark(self, mark: Mark) -> None:
        """Add a mark of the pilot."""
        if len(self._marks) < MOST_MARKS:
            self._marks.append({"t_s": round(mark.t_s, 2), "text": mark.text})
        else:
            self._marks_left_out += 1

    def change(self, change: SettingsChange, error: SettingsError | None) -> None:
        """Add a change of settings in flight, which was applied, or refused because of an error."""
        said = {} if error is None else {"problems": [str(problem) for problem in error.problems]}
        self._changes.append({"t_s": round(change.t_s, 2), "taken": error is None, **said})

    def pass_over(self, _change: SettingsChange) -> None:
        """Count a change of settings in flight that this replay ignores."""
        self._passed_over += 1

    def compare(self, sample: Reference) -> None:
        """Compare a reference value with the output of the instrument at that time."""
        if self._latest is None:
            return
        self._whole.compare(sample.name, sample.value, self._latest)
        self._flights.compare(sample.name, sample.value, self._latest)

    def result(
        self, source: Source, glider: Glider | None, noise: Noise, health: HealthStage, flying: FlyingSpeed
    ) -> dict[str, Any]:
        """The content of summary.json."""
        info = source.info
        flights = self._flights.all()
        return {
            "title": info.title,
            "origin": info.origin,
            "start_utc": info.start_utc.isoformat() if info.start_utc else None,
            "glider": glider.name if glider else None,
            "noise": asdict(noise),
            "flight": {
                **self._whole.flight(info.start_utc),
                "flights": len(flights),
                "flying_speed_mps": round(flying.speed_mps, 1),
                "flying_speed_from": flying.origin.value,
            },
            "flights": [
                {
                    "begin_s": round(flight.begin_s or 0.0, 2),
                    "end_s": round(flight.end_s or 0.0, 2),
                    **flight.flight(info.start_utc),
                    "references": flight.references(),
                }
                for flight in flights
            ],
            "goal": self._glide_calls,
            "climbs": [_climb(climb) for climb in self.climbs],
            "marks": self._marks,
            "settings_changes": self._changes,
            "samples": _samples(health),
            "rejected_by_reader": source.rejected(),
            "quality_s": {flag: round(seconds, 2) for flag, seconds in self._quality_s.items()},
            "references": self.references(),
            "warnings": self._warnings(source, glider, health, flying),
        }

    def references(self) -> dict[str, dict[str, Any]]:
        """Errors of the outputs against the reference values of the recording, by name of the reference."""
        return self._whole.references()

    def _warnings(
        self, source: Source, glider: Glider | None, health: HealthStage, flying: FlyingSpeed
    ) -> list[str]:
        warnings = [*source.warnings(), *_gnss_as_baro(source)]
        for name, sentence in SENSOR_LOSS.items():
            if health.channels[name].accepted == 0:
                warnings.append(sentence)
        if glider is None:
            warnings.append("no glider file: no netto and no speed to fly; set `glider = …` in the settings")
        uncompensated_s = self._quality_s[str(Quality.UNCOMPENSATED)]
        if round(uncompensated_s) and health.channels["pitot"].accepted:
            warnings.append(f"the airspeed was missing for {uncompensated_s:.0f} s: uncompensated there")
        warnings += self._contradictions()
        if self._latest is not None and self._latest.airspeed_correction != 1.0:
            warnings.append(airspeed_corrected(self._latest.airspeed_correction))
        warnings += self._ground.warnings(flying)
        warnings += self._flights.warnings(source.info.start_utc)
        if self._marks_left_out:
            warnings.append(f"{self._marks_left_out} marks beyond the first {MOST_MARKS} left out")
        refused = [change for change in self._changes if not change["taken"]]
        if refused:
            warnings.append(
                f"settings changed at {refused[0]['t_s']:.0f} s could not be used and the old ones stayed: "
                f"{refused[0]['problems'][0]}"
            )
        if self._passed_over:
            warnings.append(
                f"the recording holds {self._passed_over} changes of settings; with settings named for this "
                "replay they are ignored"
            )
        if self._breaks:
            warnings.append(
                f"the recording has {self._breaks} gaps of over {JUMP_S:.0f} s; they are not in the sound"
            )
        for name, channel in health.channels.items():
            for reason, count in channel.rejected.items():
                warnings.append(f"{name}: {count} samples not used in flight: {reason}")
        if self._first_s is None:
            warnings.append("the recording holds no samples")
        return warnings

    def _contradictions(self) -> list[str]:
        """A sentence for each sensor that others contradicted for a second or longer."""
        seconds = {flag: round(self._quality_s[str(flag)]) for flag in CONTRADICTED}
        return [CONTRADICTED[flag].format(lasted_s) for flag, lasted_s in seconds.items() if lasted_s]


def _gnss_as_baro(source: Source) -> list[str]:
    """The warning if GNSS altitude replaces the barometer."""
    baro = source.info.sensors.get("baro")
    if baro is None or baro.name != GNSS_AS_BARO:
        return []
    return [
        "there is no barometer; the GNSS altitude is used instead: the vario and all heights "
        "have its errors, which drift by metres"
    ]


def airspeed_corrected(correction: float) -> str:
    """The warning about a corrected airspeed. A factor below 1 means that it was too high."""
    percent = 100.0 * (1.0 / correction - 1.0)
    way = "high" if percent > 0.0 else "low"
    return f"the airspeed reads {abs(percent):.0f} % {way} against GNSS; corrected"


def _climb(climb: Climb) -> dict[str, Any]:
    return {
        "start_s": round(climb.start_s, 2),
        "end_s": round(climb.end_s, 2),
        "gain_m": round(climb.gain_m, 1),
        "average_mps": round(climb.average_mps, 3),
        "turns": round(climb.turns, 2),
        "direction": climb.direction,
    }


def _samples(health: HealthStage) -> dict[str, Any]:
    table: dict[str, Any] = {}
    for name in CHANNELS:
        channel = health.channels[name]
        rejected = channel.rejected.total()
        if channel.accepted or rejected:
            table[name] = {
                "in": channel.accepted + rejected,
                "used": channel.accepted,
                "rejected": dict(channel.rejected),
            }
    return table
