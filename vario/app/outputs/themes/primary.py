"""The primary values for the pilot."""

from __future__ import annotations

from vario.app.outputs.output import Kind, Output, Plot, words
from vario.flight.inputs.quality import Quality
from vario.flight.motion.mode import Mode
from vario.flight.reading import Reading
from vario.settings.display import Measure


def _pitch(r: Reading) -> float | None:
    return None if r.attitude is None else r.attitude.pitch_rad


def _bank(r: Reading) -> float | None:
    return None if r.attitude is None else r.attitude.bank_rad


def _wind_north(r: Reading) -> float | None:
    return None if r.wind is None else r.wind.north_mps


def _wind_east(r: Reading) -> float | None:
    return None if r.wind is None else r.wind.east_mps


PRIMARY = (
    Output("t_s", lambda r: r.t_s, 2, "Time in the recording."),
    Output(
        "mode",
        lambda r: r.mode.value,
        0,
        f"Flight mode: {words(mode.value for mode in Mode)}.",
        Kind.TEXT,
    ),
    Output(
        "altitude_m",
        lambda r: r.energy.altitude_m,
        2,
        "Pressure altitude in the standard atmosphere (1013.25 hPa). True altitude is in `gnss_altitude_m`.",
        plot=Plot("altitude", "pressure altitude", "ink", 1.6),
        measure=Measure.HEIGHT,
    ),
    Output(
        "ias_mps",
        lambda r: r.energy.ias_mps,
        3,
        "Indicated airspeed.",
        measure=Measure.SPEED,
        plot=Plot("airspeed", "indicated", "ink", 1.2),
    ),
    Output(
        "tas_mps",
        lambda r: r.energy.tas_mps,
        3,
        "True airspeed.",
        measure=Measure.SPEED,
    ),
    Output(
        "pitch_rad",
        _pitch,
        5,
        "Pitch attitude; nose up is positive.",
        Kind.ANGLE,
        shown_decimals=0,
        plot=Plot("attitude", "pitch", "teal", 1.1),
        references=("autopilot_pitch_rad",),
    ),
    Output(
        "bank_rad",
        _bank,
        5,
        "Bank angle; right wing down is positive.",
        Kind.ANGLE,
        shown_decimals=0,
        plot=Plot("attitude", "bank, right positive", "violet", 1.1, order=-1),
        references=("autopilot_bank_rad",),
    ),
    Output(
        "vario_mps",
        lambda r: r.energy.vario_mps,
        3,
        "Total-energy climb rate, not damped. Without airspeed it is the plain climb rate, and `quality` "
        "contains `uncompensated`.",
        plot=Plot("vario", "vario", "ink", 1),
        references=("vat_mps",),
        measure=Measure.VERTICAL_SPEED,
    ),
    Output(
        "netto_mps",
        lambda r: r.air.netto_mps,
        3,
        "Netto: vertical speed of the air. It needs a glider file, airspeed, free flight and closed "
        "airbrakes.",
        plot=Plot("vario", "netto", "teal", 1, order=-1),
        references=("net_mps",),
        measure=Measure.VERTICAL_SPEED,
    ),
    Output(
        "relative_netto_mps",
        lambda r: r.air.relative_netto_mps,
        3,
        "Relative netto: the climb rate that circling in this air would give, at the bank and speed of "
        "`[circling]`.",
        measure=Measure.VERTICAL_SPEED,
    ),
    Output(
        "average_mps",
        lambda r: r.averages.average_mps,
        3,
        "Averager: mean climb rate over the last `[average] window`.",
        plot=Plot("vario", "average", "amber", 2, order=-2),
        measure=Measure.VERTICAL_SPEED,
    ),
    Output(
        "turn_average_mps",
        lambda r: r.averages.turn_mps,
        3,
        "Mean climb rate over the last full turn of heading.",
        measure=Measure.VERTICAL_SPEED,
    ),
    Output(
        "climb_average_mps",
        lambda r: r.averages.climb_mps,
        3,
        "Mean climb rate since the present climb began.",
        measure=Measure.VERTICAL_SPEED,
    ),
    Output(
        "wind_north_mps",
        _wind_north,
        3,
        "Wind: speed of the air towards north.",
        references=("wdi_north_mps",),
        measure=Measure.WIND,
    ),
    Output(
        "wind_east_mps",
        _wind_east,
        3,
        "Wind: speed of the air towards east.",
        references=("wdi_east_mps",),
        measure=Measure.WIND,
    ),
    Output(
        "speed_to_fly_mps",
        lambda r: r.speed_to_fly_mps,
        3,
        "Speed to fly, as indicated airspeed. Only in cruise.",
        measure=Measure.SPEED,
        plot=Plot("airspeed", "to fly", "rose", 1.6, dash=(6, 4)),
    ),
    Output(
        "quality",
        lambda r: str(r.quality),
        0,
        "The reasons why outputs are incomplete, as words joined by `+`: "
        f"{words(str(flag) for flag in Quality)}; `ok` if there is none.",
        Kind.TEXT,
    ),
)
"""trace.csv begins with these, in this order."""
