"""State and consistency of the estimator; shown on the page of a flight."""

from __future__ import annotations

from collections.abc import Callable

from vario.app.outputs.output import Output, Plot
from vario.flight.reading import Reading
from vario.settings.display import Measure

_AXES = (("x", "forward", "ink"), ("y", "right", "teal"), ("z", "down", "amber"))


def _axis(
    vector_of: Callable[[Reading], tuple[float, float, float] | None], index: int
) -> Callable[[Reading], float | None]:
    def value_of(r: Reading) -> float | None:
        vector = vector_of(r)
        return None if vector is None else vector[index]

    return value_of


ESTIMATE = (
    Output(
        "airspeed_based_mps",
        lambda r: r.diagnostics.airspeed_based_mps,
        3,
        "Total-energy climb rate from the pressures only.",
        plot=Plot("two_varios", "from the pressures alone", "amber", 1),
        in_trace=False,
        measure=Measure.VERTICAL_SPEED,
    ),
    Output(
        "gust_free_mps",
        lambda r: r.diagnostics.gust_free_mps,
        3,
        "Total-energy climb rate from the inertial sensor, free of horizontal gusts.",
        plot=Plot("two_varios", "from the inertial sensor", "teal", 1),
        in_trace=False,
        measure=Measure.VERTICAL_SPEED,
    ),
    Output(
        "vario_sigma_mps",
        lambda r: r.diagnostics.vario_sigma_mps,
        3,
        "Standard deviation of the vario according to the estimator.",
        shown_decimals=2,
        plot=Plot("two_varios", "uncertainty of the vario shown", "ink", 1.4, dash=(4, 3)),
        measure=Measure.VERTICAL_SPEED,
    ),
    *(
        Output(
            f"gyro_bias_{axis}_radps",
            _axis(lambda r: r.diagnostics.gyro_bias_radps, k),
            6,
            f"Bias of the gyro, {label} axis of the body.",
            shown_decimals=2,
            plot=Plot("gyro_bias", label, ink, 1.4),
            in_trace=False,
        )
        for k, (axis, label, ink) in enumerate(_AXES)
    ),
    *(
        Output(
            f"accel_bias_{axis}_mps2",
            _axis(lambda r: r.diagnostics.accel_bias_mps2, k),
            4,
            f"Bias of the accelerometer, {label} axis of the body.",
            shown_decimals=2,
            plot=Plot("accel_bias", label, ink, 1.4),
            in_trace=False,
        )
        for k, (axis, label, ink) in enumerate(_AXES)
    ),
    Output(
        "attitude_sigma_rad",
        lambda r: r.diagnostics.attitude_sigma_rad,
        5,
        "Standard deviation of pitch and bank according to the estimator.",
        plot=Plot("attitude_sigma", "both", "violet", 1.6),
        in_trace=False,
    ),
)
