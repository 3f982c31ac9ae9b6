"""What the live page shows of a reading: plain values in SI units. None, or a missing key, is not known."""

from __future__ import annotations

from typing import Any

from vario.app.live.status import Status
from vario.flight.inputs.quality import Quality
from vario.flight.motion.mode import Mode
from vario.flight.reading import Reading
from vario.settings.display import DisplayUnits, Measure
from vario.settings.schema import Settings

_MEASURES = {
    "climb": Measure.VERTICAL_SPEED,
    "speed": Measure.SPEED,
    "wind": Measure.WIND,
    "height": Measure.HEIGHT,
    "distance": Measure.DISTANCE,
    "mass": Measure.MASS,
}
_STEPS = {"m/s": 0.1, "kt": 0.2, "ft/min": 20.0, "kg": 10.0, "lb": 20.0}
"""Steps in which MacCready and ballast are changed, by unit."""


def units_of(settings: Settings) -> dict[str, Any]:
    """By quantity: symbol of the unit, value of one SI unit in it, decimals, and the step of a change."""
    units = DisplayUnits(settings.display)
    found = {name: units.of(measure) for name, measure in _MEASURES.items()}
    return {
        name: (unit.symbol, unit.factor, unit.decimals, _STEPS.get(unit.symbol))
        for name, unit in found.items()
    }


def state_of(reading: Reading, settings: Settings) -> dict[str, Any]:
    """The values of a reading and the pilot's settings in force."""
    turning, flight, averages = reading.turning, settings.flight, reading.averages
    return {
        "t": round(reading.t_s, 2),
        "mode": reading.mode.value,
        "quality": [] if reading.quality is Quality.OK else str(reading.quality).split("+"),
        "rejected": reading.setting_rejected,
        "window": settings.average.window_s,
        "average": _rounded(averages.average_mps),
        "turnAverage": _rounded(averages.turn_mps),
        "climbAverage": _rounded(averages.climb_mps),
        "lift": _rounded(reading.needle_mps),
        "speed": _rounded(reading.speed_to_fly_mps, 1),
        "pressureAltitude": _rounded(reading.energy.altitude_m, 0),
        "qnhAltitude": _rounded(reading.qnh_altitude_m, 0),
        "heading": _rounded(turning.heading_rad, 3) if turning.from_north else None,
        "track": _track(reading),
        "wind": _wind(reading),
        "goal": _goal(reading),
        "circle": _circle(reading),
        "place": _place(reading),
        "battery": {"volt": _rounded(reading.battery.volt_v), "low": reading.battery.low},
        "units": units_of(settings),
        "settings": {
            "maccready": flight.maccready_mps,
            "ballast": flight.ballast_kg,
            "bugs": flight.bugs,
            "volume": settings.tone.volume,
            "mode": flight.mode,
        },
    }


def status_of(status: Status) -> dict[str, Any]:
    """What the page shows of recorder and sound."""
    recorder = status.recorder
    recording = "off"
    if recorder is not None:
        if recorder.problem or recorder.file is None:
            recording = "not recording"
        elif recorder.memory is not None:
            recording = "in memory only"
        else:
            recording = "on"
    return {"recording": recording, "sound": status.sound is None}


def _rounded(value: float | None, decimals: int = 2) -> float | None:
    return None if value is None else round(value, decimals)


def _track(reading: Reading) -> float | None:
    """Direction over the ground; None below 3 m/s, where it is only noise."""
    velocity = reading.ground_velocity
    if velocity is None or velocity.speed_mps < 3.0:
        return None
    return round(velocity.track_rad, 3)


def _wind(reading: Reading) -> dict[str, Any] | None:
    wind = reading.wind
    if wind is None:
        return None
    return {"from": round(wind.from_rad, 3), "speed": round(wind.speed_mps, 2)}


def _goal(reading: Reading) -> dict[str, Any] | None:
    glide = reading.glide
    if glide is None:
        return None
    flies = reading.mode is not Mode.GROUND  # no arrival height without a glide
    return {
        "bearing": round(glide.bearing_rad, 3),
        "distance": round(glide.distance_m),
        "above": _rounded(glide.above_reserve_m, 0) if flies else None,
        "sigma": _rounded(glide.sigma_m, 0) if flies else None,
    }


def _circle(reading: Reading) -> dict[str, Any] | None:
    circle = reading.thermal.circle
    if circle is None:
        return None
    return {
        "lift": [_rounded(value) for value in circle.mean_mps],
        "heading": round(reading.turning.heading_rad, 3),
        "rate": round(reading.turning.rate_radps, 4),
        "right": circle.right,
        "rollOut": _rounded(circle.roll_out_heading_rad, 3),
    }


def _place(reading: Reading) -> list[float] | None:
    """North and east in metres, the frame of reference, and the drift of the air in it."""
    place = reading.place
    if place is None:
        return None
    drift = round(place.drift_north_mps, 2), round(place.drift_east_mps, 2)
    return [round(place.north_m, 1), round(place.east_m, 1), place.frame, *drift]
