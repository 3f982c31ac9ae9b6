"""The expectation for each cell of the matrix, with its physical reason.

In every cell no exception may be raised. After a fault in flight, vario and quality must be as before within
`BACK_S`, and the tone may sound a false climb (`judge.FALSE_MPS`) for at most `FALSE_S`, unless the row says
that this cannot be prevented.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

from tests.campaigns.faults.cells import (
    AHEAD,
    BACK,
    BIAS,
    DISORDER,
    FAULTS,
    FROZEN,
    LATE,
    LOST,
    MISSING,
    NAN,
    NOISE,
    PHASES,
    SPIKES,
    STOP,
    TWICE,
    Cell,
)
from tests.campaigns.faults.judge import Result

BACK_S = 10.0
FALSE_S = 2.0
USUAL_MPS = 0.8
"""The largest error of the needle in these gusty flights without any fault is 0.5 to 0.7 m/s."""


@dataclass(frozen=True, slots=True)
class Expected:
    """An expectation.

    Attributes:
        error_mps: bound of the error of the vario while it is shown; None: no bound is possible.
        why: the reason.
        says: the word that `quality` must contain during the fault; "": none.
        within_s: the time within which the word must appear.
        silent: after this time no vario is shown and the tone is silent.
        tone_kept: the tone sounds no false climb.
        low_battery: the battery warning sounds; otherwise it must not.
        back_s: the time after the fault within which vario and quality must be as without it.
    """

    error_mps: float | None
    why: str
    says: str = ""
    within_s: float = 2.0
    silent: bool = False
    tone_kept: bool = True
    low_battery: bool = False
    back_s: float = BACK_S


@dataclass(frozen=True, slots=True)
class Row:
    """An expectation and its cells."""

    sensor: str
    faults: tuple[str, ...]
    expected: Expected
    phases: tuple[str, ...] = PHASES


_GONE = (LOST, FROZEN, NAN, STOP, AHEAD, BACK)
_HARMLESS = (TWICE, DISORDER)
_TWICE = "A repeated reading has no effect; a reading out of order is rejected, and enough others remain."

TABLE = (
    # --- barometer ---
    Row(
        "barometer",
        (MISSING, *_GONE),
        Expected(
            1.0,
            "Only the static pressure measures height, and the vario depends on it. Inertia alone "
            "drifts by metres a second within a minute. So the tone is silent, after a cue, until the "
            "barometer is back. A frozen sensor is detected because its readings are equal to the "
            "last digit; a reading at the end of the range or a wrong clock is detected by its jump.",
            says="no_baro",
            silent=True,
        ),
    ),
    Row(
        "barometer",
        (SPIKES,),
        Expected(USUAL_MPS, "No glider moves by 27 m between two readings: they are rejected."),
    ),
    Row(
        "barometer",
        (BIAS,),
        Expected(
            1.5,
            "50 Pa are a sudden change of 4.6 m, which a gust can also cause. The inertial sensor "
            "shows that the glider did not move, so the change is accepted over some seconds: an "
            "error, but no climb.",
        ),
    ),
    Row(
        "barometer",
        (NOISE,),
        Expected(
            1.0,
            "A noise of 1.4 m instead of 0.14 m still gives a height; between the readings the vario "
            "follows from inertia.",
        ),
    ),
    Row(
        "barometer",
        (LATE,),
        Expected(
            1.0,
            "The reading is half a second old and has its true time, so it is compared with the height at "
            "that time.",
        ),
    ),
    Row("barometer", _HARMLESS, Expected(USUAL_MPS, _TWICE)),
    # --- pitot ---
    Row(
        "pitot",
        (MISSING,),
        Expected(
            None,
            "No other sensor measures airspeed, and the filters do not start without it. Only the "
            "climb rate remains: a pull-up reads as lift, so no bound is possible. `quality` reports "
            "this all the time.",
            says="no_airspeed",
            tone_kept=False,
        ),
    ),
    Row(
        "pitot",
        _GONE,
        Expected(
            1.2,
            "For half a minute the total energy follows from inertia and the lift curve. After that "
            "the vario is the climb rate, and `quality` reports this. No airspeed is shown meanwhile.",
            says="no_airspeed",
        ),
    ),
    Row(
        "pitot",
        (SPIKES,),
        Expected(USUAL_MPS, "The airspeed cannot change by 8 m/s between two readings: they are rejected."),
    ),
    Row(
        "pitot",
        (BIAS,),
        Expected(
            1.5,
            "100 Pa are 3 m/s, which is 8 m of energy height. This could be a gust, so it is added "
            "within gust_rejection_time (half a minute). Airspeed and speed to fly are wrong; only "
            "GNSS can show this, after minutes.",
        ),
    ),
    Row(
        "pitot",
        (NOISE,),
        Expected(1.0, "Eight pascal are 0.25 m/s; between the readings the vario follows from inertia."),
    ),
    Row(
        "pitot",
        (LATE,),
        Expected(
            USUAL_MPS,
            "The reading is half a second old and has its true time, so it is compared with the speed at "
            "that time.",
        ),
    ),
    Row("pitot", _HARMLESS, Expected(USUAL_MPS, _TWICE)),
    # --- inertial ---
    Row(
        "inertial",
        (MISSING, LATE, *_GONE),
        Expected(
            2.0,
            "The pressures still give total energy, but a horizontal gust reads as lift for a moment: "
            "a gust of 1 m/s within a second is 3 m/s of vario (V/g), before damping. Late inertial "
            "readings are worse than none, because all other sensors are compared with them; they are "
            "rejected.",
            says="no_imu",
        ),
    ),
    Row(
        "inertial",
        (SPIKES,),
        Expected(
            USUAL_MPS,
            "No glider turns by 2 rad/s or accelerates by 2 g for only a fiftieth of a second: rejected.",
        ),
    ),
    Row(
        "inertial",
        (BIAS,),
        Expected(
            3.2,
            "An error of 0.5 m/s² forward looks like a tow: V a/g is 1.5 m/s of energy. An error of 2 "
            "deg/s tilts the horizon by 2 deg each second, which adds 1 m/s each second. After 3 s "
            "barometer and GNSS contradict the unit. `imu_off` then lasts until the unit has been "
            "consistent for a while.",
            says="imu_off",
            within_s=5.0,
            back_s=math.inf,
        ),
    ),
    Row("inertial", (NOISE,), Expected(1.0, "Noise of 0.5 m/s² and 1 deg/s averages out within a second.")),
    Row("inertial", _HARMLESS, Expected(USUAL_MPS, _TWICE)),
    # --- GNSS ---
    Row(
        "GNSS",
        (MISSING, *_GONE),
        Expected(
            USUAL_MPS,
            "The vario needs no GNSS. Wind, track and glide are not known without it. In flight no "
            "fix equals the one before to the last digit: eight equal fixes mean a frozen receiver.",
            says="no_gnss",
            within_s=4.0,
        ),
    ),
    Row(
        "GNSS", (SPIKES,), Expected(USUAL_MPS, "The vario needs no GNSS; jumps of the velocity are rejected.")
    ),
    Row(
        "GNSS",
        (BIAS,),
        Expected(
            USUAL_MPS,
            "The vario needs no GNSS. An error of 5 m/s of the velocity is an error of 5 m/s of the "
            "wind. In straight flight no sensor distinguishes the two, so the wind is wrong and "
            "nothing reports it. A circle would show it.",
        ),
    ),
    Row("GNSS", (NOISE, LATE, *_HARMLESS), Expected(USUAL_MPS, "The vario needs no GNSS.")),
    # --- outside temperature ---
    Row(
        "temperature",
        (MISSING,),
        Expected(
            2.0,
            "The temperature of the standard atmosphere is used, here 5 K too cold: 0.9 % of "
            "airspeed, 1.8 % of height. In the first minute the error of the vario is larger than it "
            "should be, see below.",
        ),
        ("cruise",),
    ),
    Row(
        "temperature",
        (MISSING,),
        Expected(
            1.2, "The temperature of the standard atmosphere is used, here 5 K too cold: 0.9 % of airspeed."
        ),
        ("circling", "launch"),
    ),
    Row(
        "temperature",
        (LOST, FROZEN, SPIKES, NAN, STOP, LATE, AHEAD, BACK),
        Expected(
            USUAL_MPS, "The last temperature is used for minutes; a jump of 5 K is rejected for a minute."
        ),
    ),
    Row(
        "temperature",
        (BIAS,),
        Expected(
            USUAL_MPS,
            "Like any jump it is rejected for a minute. A lasting one is then accepted: 10 K are 1.7 "
            "% of the airspeed.",
        ),
    ),
    Row("temperature", (NOISE,), Expected(USUAL_MPS, "1 K is 0.2 % of the airspeed.")),
    Row("temperature", _HARMLESS, Expected(USUAL_MPS, _TWICE)),
    # --- supply ---
    Row(
        "supply",
        tuple(fault for fault in FAULTS if fault not in {BIAS, FROZEN}),
        Expected(
            USUAL_MPS,
            "Only the battery warning uses the voltage, and it needs ten seconds below the limit.",
        ),
    ),
    Row(
        "supply",
        (FROZEN,),
        Expected(USUAL_MPS, "A frozen good voltage hides an empty battery; no other sensor shows this."),
    ),
    Row(
        "supply",
        (BIAS,),
        Expected(
            USUAL_MPS,
            "A voltage that reads 1.5 V too low looks like an empty battery, so the warning sounds.",
            low_battery=True,
        ),
    ),
    # --- everything at once ---
    Row(
        "everything",
        (LOST,),
        Expected(1.0, "Nothing is known: the tone is silent at once.", says="no_baro", silent=True),
    ),
    Row(
        "everything",
        (LATE,),
        Expected(
            1.0, "The instrument cannot detect that all sensors are late; the vario is late by the same time."
        ),
    ),
    Row("everything", _HARMLESS, Expected(USUAL_MPS, _TWICE)),
    Row(
        "everything",
        (AHEAD, BACK),
        Expected(
            2.0,
            "The motion between the two times is not known. All stages are reset, as after switching "
            "on in the air, and settle within seconds.",
        ),
    ),
)


def expected(cell: Cell) -> Expected:
    """The expectation for a cell.

    Raises:
        LookupError: unless exactly one row belongs to it.
    """
    found = [
        row.expected
        for row in TABLE
        if row.sensor == cell.sensor and cell.fault in row.faults and cell.phase in row.phases
    ]
    if len(found) != 1:
        raise LookupError(f"{cell}: expected one row, found {len(found)}")
    return found[0]


def shortfalls(cell: Cell, result: Result) -> Iterator[str]:
    """Describe each violation of the expectation of a cell."""
    wanted = expected(cell)
    if wanted.error_mps is not None and (result.worst_mps or 0.0) > wanted.error_mps:
        yield f"error {result.worst_mps:.1f} m/s, at most {wanted.error_mps:g}"
    if wanted.says and result.flag_s.get(wanted.says, math.inf) > wanted.within_s:
        yield f"{wanted.says} not within {wanted.within_s:g} s"
    if wanted.says and wanted.says not in result.lasting:
        yield f"{wanted.says} does not last"
    if wanted.silent and result.shown_s > wanted.within_s:
        yield f"vario shown until {result.shown_s:.1f} s"
    if result.back_s > wanted.back_s:
        yield f"back after {result.back_s:.1f} s"
    if wanted.tone_kept and result.false_s > FALSE_S:
        yield f"false climb for {result.false_s:.1f} s"
    if wanted.low_battery is not result.low_battery:
        yield "no battery warning" if wanted.low_battery else "a battery warning"
