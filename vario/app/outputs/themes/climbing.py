"""Turning, averages, lift around the circle, and expected climb."""

from __future__ import annotations

from collections.abc import Callable

from vario.app.outputs.output import Kind, Output, Value
from vario.flight.reading import Reading
from vario.flight.thermal.circle import Circle
from vario.flight.thermal.stage import Shift
from vario.settings.display import Measure


def _circle(value_of: Callable[[Circle], Value]) -> Callable[[Reading], Value]:
    return lambda r: None if r.thermal.circle is None else value_of(r.thermal.circle)


def _shift(value_of: Callable[[Shift], Value]) -> Callable[[Reading], Value]:
    return lambda r: None if r.thermal.shift is None else value_of(r.thermal.shift)


TURNING = (
    Output(
        "turn_rate_radps",
        lambda r: r.turning.rate_radps if r.turning.known else None,
        4,
        "Rate of turn, smoothed over 1 s; right is positive.",
    ),
    Output(
        "heading_rad",
        lambda r: r.turning.heading_rad if r.turning.from_north else None,
        4,
        "Direction of flight through the air, from true north. It differs from the course over ground by the "
        "wind.",
        Kind.ANGLE,
        shown_decimals=0,
    ),
)

AVERAGES = (
    Output(
        "average_gain_m",
        lambda r: r.averages.average_gain_m,
        2,
        "Altitude gained in the window of the averager.",
        measure=Measure.HEIGHT,
    ),
    Output(
        "turn_gain_m",
        lambda r: r.averages.turn_gain_m,
        2,
        "Altitude gained in the last full turn.",
        measure=Measure.HEIGHT,
    ),
    Output(
        "climb_gain_m",
        lambda r: r.averages.climb_gain_m,
        2,
        "Altitude gained since the present climb began.",
        measure=Measure.HEIGHT,
    ),
    Output("turn_time_s", lambda r: r.averages.turn_s, 2, "Time that the last full turn took."),
    Output(
        "turn_average_pending",
        lambda r: float(r.averages.turn_average_pending),
        0,
        "1 while the first turn of a climb is not complete: there is no turn average yet.",
        Kind.FLAG,
    ),
)

CIRCLE = (
    Output(
        "circle_mean_mps",
        _circle(lambda c: c.middle_mps),
        3,
        "Mean climb rate around the circle, as an exponentially weighted mean over several turns.",
        measure=Measure.VERTICAL_SPEED,
    ),
    Output(
        "circle_asymmetry_mps",
        _circle(lambda c: c.asymmetry_mps),
        3,
        "How much faster the air rises at the best heading than in the mean.",
        measure=Measure.VERTICAL_SPEED,
    ),
    Output(
        "circle_sigma_mps",
        _circle(lambda c: c.sigma_mps),
        3,
        "Standard error of `circle_asymmetry_mps`.",
        measure=Measure.VERTICAL_SPEED,
    ),
    Output(
        "strongest_heading_rad",
        _circle(lambda c: c.strongest_heading_rad if c.from_north else None),
        4,
        "Heading at which the glider passes the strongest lift. Only where the asymmetry is significant.",
        Kind.ANGLE,
        shown_decimals=0,
    ),
    Output(
        "roll_out_heading_rad",
        _circle(lambda c: c.roll_out_heading_rad if c.from_north else None),
        4,
        "Heading at which to level the wings to move the circle towards the strongest lift.",
        Kind.ANGLE,
        shown_decimals=0,
    ),
    Output(
        "centring_cues",
        lambda r: float(r.thermal.centring_cues),
        0,
        "Number of centring cues given so far.",
        Kind.COUNT,
    ),
    Output(
        "shift_m",
        _shift(lambda s: s.distance_m),
        1,
        "How far to move the circle.",
        measure=Measure.HEIGHT,
    ),
    Output(
        "shift_bearing_rad",
        _shift(lambda s: s.bearing_rad if s.from_north else None),
        4,
        "Direction in which to move the circle, from true north.",
        Kind.ANGLE,
        shown_decimals=0,
    ),
    Output(
        "shift_sigma_m",
        _shift(lambda s: s.sigma_m),
        1,
        "Standard deviation of `shift_m`.",
        measure=Measure.HEIGHT,
    ),
    Output(
        "core_strength_mps",
        _shift(lambda s: s.core.strength_mps),
        3,
        "Fitted thermal w = W·exp(−d²/R²): its strength W.",
        measure=Measure.VERTICAL_SPEED,
    ),
    Output(
        "core_radius_m",
        _shift(lambda s: s.core.radius_m),
        1,
        "Fitted thermal: its radius R.",
        measure=Measure.HEIGHT,
    ),
)

EXPECTED = (
    Output(
        "expected_climb_mps",
        lambda r: r.expected.climb_mps,
        3,
        "Expected climb: relative netto, averaged over the size of a circle.",
        measure=Measure.VERTICAL_SPEED,
    ),
    Output(
        "worth_turning",
        lambda r: float(r.expected.worth_turning),
        0,
        "1 while the expected climb exceeds the MacCready value.",
        Kind.FLAG,
    ),
    Output(
        "worth_turning_time_s",
        lambda r: r.expected.worth_turning_time_s,
        2,
        "Time for which `worth_turning` has been 1.",
    ),
)
