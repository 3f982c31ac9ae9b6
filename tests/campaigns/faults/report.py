"""Write the fault matrix as a page: the expectations, and the measurements."""

from __future__ import annotations

import math
from collections.abc import Mapping

from tests.campaigns.faults import contradiction_flights
from tests.campaigns.faults.cells import FAULTS, FROM_S, PHASES, SENSORS, UNTIL_S, Cell
from tests.campaigns.faults.contradiction_flights import GLIDER, MOST_FALSE_S, NAMED_S, SEED, Outcome
from tests.campaigns.faults.contradictions import FLIGHTS, SETTLED_S, Contradiction
from tests.campaigns.faults.contradictions import FROM_S as BEGUN_S
from tests.campaigns.faults.contradictions import TABLE as CONTRADICTIONS
from tests.campaigns.faults.contradictions import UNTIL_S as ENDED_S
from tests.campaigns.faults.expectations import TABLE, shortfalls
from tests.campaigns.faults.expected import BACK_S, FALSE_S, Expected, Row
from tests.campaigns.faults.flights import LENGTH_S
from tests.campaigns.faults.judge import FALSE_MPS, GOOD_MPS, Result

MEASURED = "## What was measured"

_INTRODUCTION = f"""# What a failing sensor does

<!-- Written by `make faults`; the tests check that what must hold is current. -->

The tests make every sensor fail in every way, in cruise, circling and launch, in simulated flights with
known truth (`tests/campaigns/faults/`). A fault in flight lasts from {FROM_S:g} s to {UNTIL_S:g} s.

In every case:

* nothing crashes, and the frames continue;
* at most {BACK_S:g} s after the end of the fault, the vario is within {GOOD_MPS:g} m/s of the truth again,
  and `quality` is as before, unless the table says that it takes longer;
* the tone sounds a climb above {FALSE_MPS:g} m/s that is more than {FALSE_MPS:g} m/s too large for at most
  {FALSE_S:g} s, unless the table says that this cannot be prevented.

The sizes of the faults are those of ordinary modules (`tests/campaigns/faults/cells.py`). Simulated sensors
are not real sensors. A passed case shows that the logic is correct, not that an instrument in an aircraft is.

## What must hold, and why
"""

_CONTRADICTIONS = f"""### Sensors that contradict each other

Each reading alone is possible, so only a comparison with other sensors shows these faults. They are flown in
dives and in a thermal with a general flight-dynamics library (glider {GLIDER}, seed {SEED}), from
{BEGUN_S:g} s to {ENDED_S:g} s or from the start. The tone sounds a false climb for at most
{MOST_FALSE_S:g} s at a time, after the first {SETTLED_S:g} s, and `quality` contains one of the words at most
{NAMED_S:g} s after the fault can be observed.
Without GNSS, and without an inertial unit, most of these faults cannot be observed.

| fault | report | what shows it |
|---|---|---|"""

_AFTER = """
## What cannot be promised

* Without a pitot from the start, and from half a minute after its loss, the vario is the climb rate: a
  pull-up sounds as lift. `quality` reports this, and a cue sounds at the loss.
* If a gust or a pull-up can explain a step of a reading, the instrument assumes a gust or a pull-up until the
  other sensors contradict it. If no other sensor measures the same quantity, the error remains: an offset of
  the GNSS velocity appears as wind, one of the voltage as an empty battery, and a slow one of the static
  pressure as a climb.
* No other sensor shows a drift that is slower than the changes of the air: 10 Pa a minute of static pressure
  are 1.5 cm/s of vario.
* A doubted sensor is used again after its readings have agreed with the others for 20 s, and for twice as
  long after each further contradiction.
* Iced static ports in level flight, a total-energy probe at constant speed, and a wrong scale of the pitot in
  straight flight from the start cannot be observed. The first two do no harm meanwhile. The last one makes
  the wind wrong, and the tone may sound a false climb in dives.
* Without an inertial unit, a barometer that contradicts the GNSS altitude is not doubted, because the
  altitude of a receiver is wrong more often: `gnss_altitude_doubtful` is reported. Without GNSS it is not
  observed.
* An altitude of GNSS that is off by a constant amount from the start cannot be observed, because the weather
  changes the pressure altitude by up to 300 m.
* A slow static line is found by the altitude of GNSS, and needs changes of height: in a weak circle it takes
  a minute to be certain, in dives some seconds. A steady climb shows nothing, because the lag is then a
  constant difference.
* A mass in the settings that is too small is reported (`mass_doubtful`) only after changes of speed in calm
  air. The load factor at a known airspeed gives the lift in units of the weight, which is the same for any
  mass: only the incidence shows the difference. The incidence is the pitch minus the path through the air,
  plus an angle of mounting that is not known, so only its changes show the mass. In circles and in rough air
  they show nothing, and a mass that is too large is not reported, because gusts have the same effect.
  Without a glider file no mass is compared. The mass is not corrected: the polar of a wrong mass makes the
  netto wrong by a part that depends on the speed, and this looks like a motion of the air.
* Static ports with an error of 3 to 6 % of the impact pressure that `position_error` does not correct: in a
  hard pull-up the vario can be silent for 4 s, until GNSS shows whether barometer or inertial unit is wrong.
  The silence is right, because the barometer is wrong then: from 40 to 20 m/s 6 % are about 40 Pa, or 3.5 m
  within 3 s.
* In the first minute after a start in the air, an air temperature that is not measured causes an error of the
  vario of up to 2 m/s in speed changes.
"""


def expectations() -> str:
    """The part of the page that needs no simulation."""
    lines = [_INTRODUCTION]
    for sensor in SENSORS:
        lines += [f"### {sensor.capitalize() if sensor.islower() else sensor}", ""]
        lines += ["| fault | largest error of the vario | report | reason |", "|---|---|---|---|"]
        lines += [_row(row) for row in TABLE if row.sensor == sensor]
        lines.append("")
    lines.append(_CONTRADICTIONS)
    lines += [f"| {name} | {_words(case)} | {case.why} |" for name, case in CONTRADICTIONS.items()]
    lines.append("")
    return "\n".join(lines) + _AFTER


def measured(results: Mapping[Cell, Result | str]) -> str:
    """The tables of the measurements."""
    short = {cell: found for cell, result in results.items() if (found := _short(cell, result))}
    lines = [
        MEASURED,
        "",
        f"{len(results)} cases flown, {len(results) - len(short)} passed, {len(short)} failed. Each cell "
        "gives the largest error of the vario shown, m/s (–: never shown), and the time from the end of "
        "the fault until everything was as before (not by the end: the flights end "
        f"{LENGTH_S - UNTIL_S:g} s after the fault); in brackets the time for which the tone sounded a false "
        "climb.",
        "",
    ]
    for sensor in SENSORS:
        lines += [f"### {sensor.capitalize() if sensor.islower() else sensor}, measured", ""]
        lines += ["| fault | " + " | ".join(PHASES) + " |", "|---" * (len(PHASES) + 1) + "|"]
        for fault in FAULTS:
            row = [Cell(sensor, fault, phase) for phase in PHASES]
            if row[0] in results:
                shown = [_cell(cell, results[cell], short.get(cell, [])) for cell in row]
                lines.append(f"| {fault} | " + " | ".join(shown) + " |")
        lines.append("")
    return "\n".join(lines).rstrip() + "\n"


def measured_contradictions(outcomes: Mapping[tuple[str, str], Outcome]) -> str:
    """The table of the contradictions, by name and flight."""
    lines = [
        "### Sensors that contradict each other, measured",
        "",
        "Each cell gives the longest false climb, s, the time from the moment at which the fault can be "
        "observed until it is reported, s (–: not reported), and the words that are not there without the "
        "fault.",
        "",
        "| fault | " + " | ".join(FLIGHTS) + " |",
        "|---" * (len(FLIGHTS) + 1) + "|",
    ]
    for name, case in CONTRADICTIONS.items():
        cells = [_outcome(case, flight, outcomes[name, flight]) for flight in FLIGHTS]
        lines.append(f"| {name} | " + " | ".join(cells) + " |")
    return "\n".join(lines) + "\n"


def page(results: Mapping[Cell, Result | str], outcomes: Mapping[tuple[str, str], Outcome]) -> str:
    """The whole page."""
    return expectations() + "\n" + measured(results) + "\n" + measured_contradictions(outcomes)


def _row(row: Row) -> str:
    faults = ", ".join(row.faults)
    if row.phases != PHASES:
        faults += f" ({', '.join(row.phases)})"
    return f"| {faults} | {_bound(row.expected)} | {_says(row.expected)} | {row.expected.why} |"


def _bound(wanted: Expected) -> str:
    return "no bound" if wanted.error_mps is None else f"{wanted.error_mps:g} m/s"


def _says(wanted: Expected) -> str:
    words = []
    if wanted.says:
        words.append(f"`{wanted.says}` within {wanted.within_s:g} s")
    if wanted.silent:
        words.append("silence")
    if wanted.low_battery:
        words.append("battery warning")
    if not wanted.tone_kept:
        words.append("the tone may sound a false climb")
    return "; ".join(words) or "nothing"


def _short(cell: Cell, result: Result | str) -> list[str]:
    return [result] if isinstance(result, str) else list(shortfalls(cell, result))


def _cell(cell: Cell, result: Result | str, short: list[str]) -> str:
    if isinstance(result, str):
        return f"**{result}**"
    text = "–" if result.worst_mps is None else f"{result.worst_mps:.1f}"
    if cell.from_s > 0.0:
        text += "; not by the end" if math.isinf(result.back_s) else f"; {result.back_s:.1f} s"
    if result.false_s > 0.0:
        text += f" ({result.false_s:.1f} s)"
    return text + "".join(f" **{words}**" for words in short)


def _words(case: Contradiction) -> str:
    if not case.says:
        return "nothing"
    words = " or ".join(f"`{word}`" for word in case.says)
    return words if len(case.flights) == len(FLIGHTS) else f"{words} ({', '.join(case.flights)})"


def _outcome(case: Contradiction, flight: str, found: Outcome) -> str:
    named = "–" if found.named_s is None else f"{found.named_s:.1f}"
    words = ", ".join(f"`{word}`" for word in found.words) or "none"
    text = f"{found.false_s:.1f}; {named}; {words}"
    return text + "".join(f" **{short}**" for short in contradiction_flights.shortfalls(case, flight, found))
