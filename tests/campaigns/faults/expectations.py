"""What must hold in each cell of the matrix, and why: a table, reasoned from physics.

In every cell no exception may come out; after a fault in mid-flight vario and quality are as usual again
within `BACK_S`, and the tone never tells falsely of a climb (`judge.FALSE_MPS`) for longer than `FALSE_S`,
unless the row says that nothing could prevent it.
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
    """What must hold.

    Attributes:
        error_mps: bound of the vario's error while it is shown; None: physics allows none.
        why: the reason.
        says: the word of `quality` that must stand while the fault lasts; "": no word of its own.
        within_s: and by when it must be there.
        silent: from then on no vario is shown and the tone is silent.
        tone_kept: the tone's promise holds.
        low_battery: the warning of a low battery sounds, and must not otherwise.
        back_s: by when after the fault vario and quality are as without it.
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
    """An expectation and the cells it is for."""

    sensor: str
    faults: tuple[str, ...]
    expected: Expected
    phases: tuple[str, ...] = PHASES


_GONE = (LOST, FROZEN, NAN, STOP, AHEAD, BACK)
_HARMLESS = (TWICE, DISORDER)
_TWICE = "A reading twice says nothing new; one out of order is left out, and enough are left."

TABLE = (
    # --- barometer ---
    Row(
        "barometer",
        (MISSING, *_GONE),
        Expected(
            1.0,
            "Only the static pressure measures height, and the vario rests on it. Inertia "
            "alone drifts by metres "
            "a second within a minute: silence, and a cue, until it is back. A hung sensor "
            "shows by repeating "
            "itself to the last digit, one at its end or with a wrong clock by a leap.",
            says="no_baro",
            silent=True,
        ),
    ),
    Row("barometer", (SPIKES,), Expected(USUAL_MPS, "No glider moves 27 m between two readings: left out.")),
    Row(
        "barometer",
        (BIAS,),
        Expected(
            1.5,
            "50 Pa are 4.6 m at once, and could be a gust's. The inertial sensor knows that "
            "nobody flew them, so "
            "they are let in over seconds: an error, but no climb.",
        ),
    ),
    Row(
        "barometer",
        (NOISE,),
        Expected(
            1.0, "Height to 1.4 m instead of 0.14 m is still a height; inertia carries the vario between."
        ),
    ),
    Row(
        "barometer",
        (LATE,),
        Expected(1.0, "Half a second old, with its true time: set against the height then."),
    ),
    Row("barometer", _HARMLESS, Expected(USUAL_MPS, _TWICE)),
    # --- pitot ---
    Row(
        "pitot",
        (MISSING,),
        Expected(
            None,
            "Nothing else measures airspeed, and without one the filters never start. What is "
            "left is the climb "
            "rate: a pull-up lifts glider and needle, and no bound is possible. It says so all the time.",
            says="no_airspeed",
            tone_kept=False,
        ),
    ),
    Row(
        "pitot",
        _GONE,
        Expected(
            1.2,
            "Inertia and the lift curve carry the total energy for half a minute; then the "
            "vario is the climb rate "
            "alone, and says so. The airspeed itself is not shown meanwhile.",
            says="no_airspeed",
        ),
    ),
    Row("pitot", (SPIKES,), Expected(USUAL_MPS, "No air changes by 8 m/s in a reading: left out.")),
    Row(
        "pitot",
        (BIAS,),
        Expected(
            1.5,
            "100 Pa are 3 m/s, 8 m of energy: it could be a gust, and like one it is let in "
            "over the half minute of "
            "gust_rejection_time. That speed and speed to fly are wrong only GNSS could tell, in minutes.",
        ),
    ),
    Row("pitot", (NOISE,), Expected(1.0, "Eight pascal are 0.25 m/s; inertia carries between.")),
    Row(
        "pitot",
        (LATE,),
        Expected(USUAL_MPS, "Half a second old, with its true time: set against the speed then."),
    ),
    Row("pitot", _HARMLESS, Expected(USUAL_MPS, _TWICE)),
    # --- inertial ---
    Row(
        "inertial",
        (MISSING, LATE, *_GONE),
        Expected(
            2.0,
            "The pressures still give total energy, in which a horizontal gust reads as lift for a moment: "
            "1 m/s of gust in a second is V/g, 3 m/s of vario, damped. Late motion is worse than none, for "
            "everything is set against it, and is left out.",
            says="no_imu",
        ),
    ),
    Row(
        "inertial",
        (SPIKES,),
        Expected(USUAL_MPS, "Nothing turns by 2 rad/s or pulls by 2 g for a fiftieth of a second: left out."),
    ),
    Row(
        "inertial",
        (BIAS,),
        Expected(
            3.2,
            "0.5 m/s² forward cannot be told from being pulled: V a/g is 1.5 m/s of energy. 2 deg/s tip the "
            "horizon by 2 deg a second, another 1 m/s each. Barometer and GNSS contradict after 3 s; then "
            "imu_off stands until the unit has been sound for a while.",
            says="imu_off",
            within_s=5.0,
            back_s=math.inf,
        ),
    ),
    Row("inertial", (NOISE,), Expected(1.0, "0.5 m/s² and 1 deg/s average out over a second.")),
    Row("inertial", _HARMLESS, Expected(USUAL_MPS, _TWICE)),
    # --- GNSS ---
    Row(
        "GNSS",
        (MISSING, *_GONE),
        Expected(
            USUAL_MPS,
            "The vario needs no GNSS. Wind, track and glide are not known without it. In flight no fix "
            "equals the one before to the last digit: eight that do are a hung receiver.",
            says="no_gnss",
            within_s=4.0,
        ),
    ),
    Row(
        "GNSS", (SPIKES,), Expected(USUAL_MPS, "The vario needs no GNSS; leaps of the velocity are left out.")
    ),
    Row(
        "GNSS",
        (BIAS,),
        Expected(
            USUAL_MPS,
            "The vario needs no GNSS. 5 m/s of velocity are 5 m/s of wind: in straight flight "
            "no sensor can tell "
            "them apart, so the wind is wrong and nothing says so. After a circle it would be.",
        ),
    ),
    Row("GNSS", (NOISE, LATE, *_HARMLESS), Expected(USUAL_MPS, "The vario needs no GNSS.")),
    # --- outside temperature ---
    Row(
        "temperature",
        (MISSING,),
        Expected(
            2.0,
            "The standard's temperature stands in, here 5 K too cold: 0.9 % of airspeed, 1.8 % "
            "of height. What the "
            "filters make of that in the first minute is more than it should be, see below.",
        ),
        ("cruise",),
    ),
    Row(
        "temperature",
        (MISSING,),
        Expected(1.2, "The standard's temperature stands in, here 5 K too cold: 0.9 % of airspeed."),
        ("circling", "launch"),
    ),
    Row(
        "temperature",
        (LOST, FROZEN, SPIKES, NAN, STOP, LATE, AHEAD, BACK),
        Expected(
            USUAL_MPS, "The last temperature holds for minutes; a leap of 5 K is left out for a minute."
        ),
    ),
    Row(
        "temperature",
        (BIAS,),
        Expected(
            USUAL_MPS,
            "Left out for a minute like any leap. One that stays is believed: 10 K, 1.7 % of speed.",
        ),
    ),
    Row("temperature", (NOISE,), Expected(USUAL_MPS, "1 K is 0.2 % of airspeed.")),
    Row("temperature", _HARMLESS, Expected(USUAL_MPS, _TWICE)),
    # --- supply ---
    Row(
        "supply",
        tuple(fault for fault in FAULTS if fault not in {BIAS, FROZEN}),
        Expected(
            USUAL_MPS,
            "Nothing but the battery's warning looks at it, and that wants ten seconds of too little.",
        ),
    ),
    Row(
        "supply",
        (FROZEN,),
        Expected(USUAL_MPS, "A good voltage that hangs hides a battery that fails: nothing else could tell."),
    ),
    Row(
        "supply",
        (BIAS,),
        Expected(
            USUAL_MPS,
            "1.5 V too little cannot be told from a flat battery, and is called one.",
            low_battery=True,
        ),
    ),
    # --- everything at once ---
    Row(
        "everything",
        (LOST,),
        Expected(1.0, "Nothing is known: silence, at once.", says="no_baro", silent=True),
    ),
    Row(
        "everything",
        (LATE,),
        Expected(1.0, "Whether all are late nobody inside can know; the vario is late by as much."),
    ),
    Row("everything", _HARMLESS, Expected(USUAL_MPS, _TWICE)),
    Row(
        "everything",
        (AHEAD, BACK),
        Expected(
            2.0,
            "What happened in the time between is not known: everything that remembers starts "
            "afresh, as in the air "
            "after switching on, and settles within seconds.",
        ),
    ),
)


def expected(cell: Cell) -> Expected:
    """What must hold in a cell.

    Raises:
        LookupError: unless exactly one row is for it.
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
    """In words, all in which a cell falls short."""
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
