"""Details of the speed to fly, the glide to the goal, and the state of wind and airspeed sensor."""

from __future__ import annotations

from collections.abc import Callable

from vario.app.outputs.output import Kind, Output, Plot, Value, words
from vario.flight.cruise.glide import FinalGlide
from vario.flight.cruise.speed_to_fly import Limit
from vario.flight.reading import Reading
from vario.flight.wind.stage import Wind
from vario.settings.display import Measure


def _glide(value_of: Callable[[FinalGlide], Value]) -> Callable[[Reading], Value]:
    return lambda r: None if r.glide is None else value_of(r.glide)


def _wind(value_of: Callable[[Wind], Value]) -> Callable[[Reading], Value]:
    return lambda r: None if r.wind is None else value_of(r.wind)


SPEEDS = (
    Output(
        "block_speed_mps",
        lambda r: r.speed.block_mps,
        3,
        "Speed to fly by the block method: it depends only on the MacCready value.",
        measure=Measure.SPEED,
    ),
    Output(
        "dolphin_speed_mps",
        lambda r: r.speed.dolphin_mps,
        3,
        "Speed to fly by the dolphin method: it follows the rise and sink of the air.",
        measure=Measure.SPEED,
    ),
    Output(
        "speed_error_mps",
        lambda r: r.speed.speed_error_mps,
        3,
        "Speed to fly minus indicated airspeed; positive: fly faster.",
        measure=Measure.SPEED,
    ),
    Output(
        "speed_limit",
        lambda r: r.speed.limit.value,
        0,
        f"What limits the speed to fly: {words(limit.value for limit in Limit)}.",
        Kind.TEXT,
    ),
    Output(
        "turbulence_mps2",
        lambda r: r.speed.turbulence_mps2,
        3,
        "Turbulence: RMS of the normal acceleration without its slow part.",
    ),
)

GOAL = (
    Output(
        "goal_bearing_rad",
        _glide(lambda g: g.bearing_rad),
        4,
        "Bearing of the goal of `[goal]`, from true north.",
        Kind.ANGLE,
        shown_decimals=0,
    ),
    Output(
        "goal_distance_m",
        _glide(lambda g: g.distance_m),
        1,
        "Distance to the goal.",
        measure=Measure.DISTANCE,
    ),
    Output(
        "glide_ratio_required",
        _glide(lambda g: g.required),
        2,
        "Glide ratio over ground required to arrive with the reserve.",
    ),
    Output(
        "glide_ratio_available",
        _glide(lambda g: g.available),
        2,
        "Glide ratio over ground of the glider in this wind.",
    ),
    Output(
        "goal_above_reserve_m",
        _glide(lambda g: g.above_reserve_m),
        1,
        "Height above goal and reserve on arrival.",
        plot=Plot("goal", "arrival", "teal", 1.8),
        measure=Measure.HEIGHT,
    ),
    Output(
        "goal_sigma_m",
        _glide(lambda g: g.sigma_m),
        1,
        "Standard deviation of `goal_above_reserve_m` from the uncertainty of the wind.",
        measure=Measure.HEIGHT,
    ),
    Output(
        "goal_energy_m",
        _glide(lambda g: g.energy_m),
        1,
        "Height gained by the change to the airspeed of the glide; included in `goal_above_reserve_m`.",
        measure=Measure.HEIGHT,
    ),
    Output(
        "goal_speed_mps",
        _glide(lambda g: g.speed_mps),
        3,
        "Indicated airspeed of the glide to the goal in this wind.",
        measure=Measure.SPEED,
    ),
    Output(
        "goal_maccready_mps",
        _glide(lambda g: g.required_maccready_mps),
        3,
        "Highest MacCready value with which the goal is reached with the reserve.",
        measure=Measure.VERTICAL_SPEED,
    ),
    Output(
        "goal_made",
        lambda r: float(r.glide is not None and r.glide.made is True),
        0,
        "1 while the glide to the goal is made, with hysteresis.",
        Kind.FLAG,
    ),
)

SETTINGS = (
    Output(
        "setting_rejected",
        lambda r: float(r.setting_rejected),
        0,
        "1 while a changed settings file cannot be used and the old settings stay in force.",
        Kind.FLAG,
    ),
)

WIND = (
    Output(
        "wind_sigma_mps",
        _wind(lambda w: w.sigma_mps),
        3,
        "Standard deviation of the wind in its least known direction.",
        measure=Measure.WIND,
        shown_decimals=1,
    ),
    Output(
        "wind_age_s",
        _wind(lambda w: w.age_s),
        1,
        "Mean age of the measurements from which the wind was computed.",
        shown_decimals=0,
    ),
    Output(
        "airspeed_scale",
        _wind(lambda w: w.airspeed_scale),
        4,
        "True airspeed divided by the measured one, determined from GNSS during changes of heading.",
    ),
    Output(
        "airspeed_correction",
        lambda r: r.airspeed_correction,
        4,
        "Factor by which the measured airspeed is multiplied; 1 while nothing is corrected.",
    ),
    Output(
        "wind_speed_mps",
        _wind(lambda w: w.speed_mps),
        3,
        "Wind speed.",
        measure=Measure.WIND,
        plot=Plot("wind", "speed", "teal", 1.8),
        in_trace=False,
    ),
    Output(
        "wind_from_rad",
        _wind(lambda w: w.from_rad),
        4,
        "Direction from which the wind blows, from true north.",
        Kind.ANGLE,
        shown_decimals=0,
        plot=Plot("wind", "from", "violet", 1.6, dash=(2, 3), second_scale=True),
        references=("wdi_from_rad",),
        in_trace=False,
    ),
)
