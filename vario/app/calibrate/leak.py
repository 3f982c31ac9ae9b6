"""Leak test of the static system, from a recording of the test.

Procedure: apply gentle suction to the static ports until the altimeter has gained about 300 m, close the
line, and wait one minute. For an unpressurised cabin the limit is a loss of 100 ft in one minute after a
gain of 1000 ft (14 CFR 23.1325(b)(2)(i) as of 1996, and 14 CFR 43 appendix E (a)). The loss is proportional
to the suction, so the limit is scaled with the gain.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from drivers.isa import altitude_m, metres_per_pascal
from drivers.samples import Sample
from vario.app.calibrate.outcome import Outcome
from vario.app.calibrate.series import ChannelSeries, Floats, collect, needed, second_means
from vario.app.errors import AppError

LEAST_GAIN_M = 100.0
MOST_GAIN_M = 600.0
"""A test gains about 300 m; a recording that gains much more is a flight."""

SETTLE_S = 3.0
"""The suction cools the air in the line; it needs this time to warm up again."""

LEAST_HOLD_S = 30.0
LOSS_SHARE = 0.10
"""Allowed loss in one minute as a fraction of the height gained: 100 ft of 1000 ft."""

MOST_IMPACT_PA = 250.0
"""In the test pitot and static are connected, or at rest: more than this (20 m/s) is a flight."""

MOST_GROUND_SPEED_MPS = 10.0
"""A glider at rest; GNSS in a hangar may state some metres per second."""

MOST_UNEVEN_M = 1.0
"""Largest RMS deviation of the height from a smooth curve while the line is closed."""

WHAT_TO_DO = (
    "The test is done on the ground: apply gentle suction to the static ports until the altimeter has gained "
    "300 m, close the line, and wait one minute. If the recording contains more, give the test with "
    "--between FROM TO"
)


def static_leak(samples: Iterable[Sample]) -> Outcome:
    """Measure the loss of height in the minute after the line was closed.

    Raises:
        AppError: if the recording contains no such test.
    """
    found = collect(samples, "baro", "pitot", "gnss_vel")
    _must_be_on_the_ground(found)
    baro = needed(found, "baro", LEAST_HOLD_S)
    t_s, static_pa = second_means(baro.t_s, baro.values[:, 0])
    start_pa = float(np.max(static_pa[:10]))
    top = int(np.argmin(static_pa))
    gain_m = altitude_m(float(static_pa[top])) - altitude_m(start_pa)
    if gain_m < LEAST_GAIN_M:
        raise AppError(
            f"no leak test in this recording: the largest gain of height is {gain_m:.0f} m; "
            f"expected {LEAST_GAIN_M:g} m or more. {WHAT_TO_DO}"
        )
    if gain_m > MOST_GAIN_M:
        raise AppError(
            f"no leak test in this recording: the gain of height is {gain_m:.0f} m, which is a flight; "
            f"expected {MOST_GAIN_M:g} m or less. {WHAT_TO_DO}"
        )
    begin_s = float(t_s[top]) + SETTLE_S
    hold = (t_s >= begin_s) & (t_s <= begin_s + 60.0)
    released = np.flatnonzero(np.diff(static_pa[hold]) > 0.2 * (start_pa - static_pa[top]))
    held_t, held_pa = t_s[hold], static_pa[hold]
    if len(released):
        held_t, held_pa = held_t[: released[0]], held_pa[: released[0]]
    held_s = float(held_t[-1] - held_t[0]) if len(held_t) > 1 else 0.0
    if held_s < LEAST_HOLD_S:
        raise AppError(f"the line was closed for {held_s:.0f} s; expected {LEAST_HOLD_S:g} s or more")
    _must_be_smooth(held_t, held_pa)
    slope_pa, _ = np.polyfit(held_t, held_pa, 1)
    loss_m = float(slope_pa) * metres_per_pascal(float(np.mean(held_pa))) * 60.0
    allowed_m = LOSS_SHARE * gain_m
    tight = loss_m <= allowed_m
    said = (
        f"Gained {gain_m:.0f} m, then lost {loss_m:.1f} m per minute over {held_s:.0f} s; the limit is "
        f"{allowed_m:.1f} m per minute ({LOSS_SHARE:.0%} of the gain)."
    )
    verdict = "The loss is within this limit. This is not a certified test."
    if not tight:
        verdict = "The static system LEAKS: do not fly with it."
    return Outcome(
        "leak",
        [said, verdict],
        {},
        {
            "static": {
                "gain_m": gain_m,
                "loss_m_per_min": loss_m,
                "allowed_m_per_min": allowed_m,
                "held_s": held_s,
                "tight": tight,
            }
        },
        [
            "Connect pitot and static together for the test, so that the airspeed indicator measures no "
            "pressure difference (common practice, no source).",
            "Suction on a static line also acts on the certified instruments: apply it gently and release "
            "it slowly.",
            "For the documents of the aircraft only the test of the licensed inspector is valid.",
        ],
    )


def _must_be_on_the_ground(found: dict[str, ChannelSeries]) -> None:
    """Check that this is not a flight.

    Raises:
        AppError: if airspeed or speed over ground is that of a flight.
    """
    pitot, velocity = found.get("pitot"), found.get("gnss_vel")
    if pitot is not None:
        _, impact_pa = second_means(pitot.t_s, pitot.values[:, 0])
        highest_pa = float(np.max(impact_pa))
        if highest_pa > MOST_IMPACT_PA:
            raise AppError(
                f"no leak test in this recording: the pitot pressure reaches {highest_pa:.0f} Pa, which is a "
                f"flight, or suction on the static line alone; expected {MOST_IMPACT_PA:g} Pa or less, with "
                f"pitot and static connected. {WHAT_TO_DO}"
            )
    if velocity is not None:
        _, speed = second_means(velocity.t_s, np.hypot(velocity.values[:, 0], velocity.values[:, 1]))
        # A single wrong fix does not mean a flight.
        fastest = float(np.percentile(speed, 90))
        if fastest > MOST_GROUND_SPEED_MPS:
            raise AppError(
                f"no leak test in this recording: the speed over ground reaches {fastest:.0f} m/s, which is "
                f"a flight; expected {MOST_GROUND_SPEED_MPS:g} m/s or less. {WHAT_TO_DO}"
            )


def _must_be_smooth(t_s: Floats, static_pa: Floats) -> None:
    """Check that the pressure changes as in a closed line: along a smooth curve, and never back.

    Raises:
        AppError: if it does not.
    """
    curve = np.polynomial.Polynomial.fit(t_s, static_pa, 3)
    metres = metres_per_pascal(float(np.mean(static_pa)))
    uneven_m = float(np.sqrt(np.mean((static_pa - curve(t_s)) ** 2))) * metres
    back_m = -float(np.min(np.diff(curve(t_s)), initial=0.0)) * metres * 60.0
    if uneven_m > MOST_UNEVEN_M or back_m > LEAST_GAIN_M:
        raise AppError(
            f"no leak test in this recording: after the greatest height the pressure does not follow a "
            f"smooth curve as in a closed line (deviation {uneven_m:.1f} m, expected {MOST_UNEVEN_M:g} m or "
            f"less; gain of height {back_m:.0f} m per minute, expected {LEAST_GAIN_M:g} m or less). "
            f"{WHAT_TO_DO}"
        )
