"""Position and motion of the glider, and the time of day."""

from __future__ import annotations

from vario.app.outputs.output import Kind, Output
from vario.flight.reading import Reading
from vario.settings.display import Measure


def _latitude(r: Reading) -> float | None:
    return None if r.position is None else r.position.lat_deg


def _longitude(r: Reading) -> float | None:
    return None if r.position is None else r.position.lon_deg


def _gnss_altitude(r: Reading) -> float | None:
    return None if r.position is None else r.position.altitude_m


def _ground_speed(r: Reading) -> float | None:
    velocity = r.ground_velocity
    return None if velocity is None else velocity.speed_mps


def _load_factor(r: Reading) -> float | None:
    return None if r.attitude is None else r.attitude.load_factor


POSITION = (
    Output("latitude_deg", _latitude, 7, "Latitude of the latest GNSS position (WGS 84); north is positive."),
    Output("longitude_deg", _longitude, 7, "Longitude of the latest GNSS position; east is positive."),
    Output(
        "gnss_altitude_m",
        _gnss_altitude,
        1,
        "Altitude of the latest GNSS position, above mean sea level.",
        references=("truth_altitude_m",),
        measure=Measure.HEIGHT,
    ),
    Output(
        "ground_speed_mps",
        _ground_speed,
        3,
        "Speed over the ground, from the latest GNSS velocity.",
        measure=Measure.SPEED,
    ),
    Output(
        "climb_mps",
        lambda r: r.energy.climb_mps,
        3,
        "Rate of climb. It is not compensated: pulling up reads as climb.",
        references=("var_mps", "autopilot_climb_mps"),
        measure=Measure.VERTICAL_SPEED,
    ),
    Output(
        "load_factor",
        _load_factor,
        3,
        "Normal load factor: 1 in straight and level flight.",
        shown_decimals=2,
    ),
    Output(
        "qnh_altitude_m",
        lambda r: r.qnh_altitude_m,
        2,
        "Altitude above mean sea level as an altimeter set to the QNH of `[display] qnh` shows it (ICAO "
        "Annex 2). Empty without QNH.",
        measure=Measure.HEIGHT,
    ),
    Output(
        "utc",
        lambda r: r.t_s,
        0,
        "UTC time of the row (ISO 8601), if the recording contains its start time.",
        Kind.UTC,
    ),
)
