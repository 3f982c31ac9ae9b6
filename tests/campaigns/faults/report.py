"""Write the fault matrix as a page: the expectations, and the measurements."""

from __future__ import annotations

import math
from collections.abc import Mapping

from tests.campaigns.faults.cells import FAULTS, FROM_S, PHASES, SENSORS, UNTIL_S, Cell, cells
from tests.campaigns.faults.expectations import BACK_S, FALSE_S, TABLE, Expected, Row, expected, shortfalls
from tests.campaigns.faults.judge import FALSE_MPS, GOOD_MPS, Result

MEASURED = "## What was measured"

_INTRODUCTION = f"""# What a failing sensor does

<!-- Written by `make faults`; the tests check that what must hold is current. -->

The tests make every sensor fail in every way, in cruise, circling and launch, in simulated flights with
known truth (`tests/campaigns/faults/`). A fault in flight lasts from {FROM_S:g} s to {UNTIL_S:g} s.

In every case:

* nothing crashes, and the frames continue;
* at most {BACK_S:g} s after the end of the fault, the vario is within {GOOD_MPS:g} m/s of the truth again,
  and `quality` is as before;
* the tone sounds a climb above {FALSE_MPS:g} m/s that is more than {FALSE_MPS:g} m/s too large for at most
  {FALSE_S:g} s, unless the table says that this cannot be prevented.

The sizes of the faults are those of ordinary modules (`tests/campaigns/faults/cells.py`). Simulated sensors
are not real sensors. A passed case shows that the logic is correct, not that an instrument in an aircraft is.

## What must hold, and why
"""

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
    return "\n".join(lines) + _AFTER


def measured(results: Mapping[Cell, Result | str]) -> str:
    """The tables of the measurements."""
    short = {cell: found for cell, result in results.items() if (found := _short(cell, result))}
    lines = [
        MEASURED,
        "",
        f"{len(results)} cases flown, {len(results) - len(short)} passed, {len(short)} failed. Each cell "
        "gives the largest error of the vario shown, m/s (–: never shown), and the time from the end of "
        "the fault until everything was as before; in brackets the time for which the tone sounded a "
        "false climb.",
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


def page(results: Mapping[Cell, Result | str]) -> str:
    """The whole page."""
    return expectations() + "\n" + measured(results)


def missing_rows() -> list[Cell]:
    """Cells without exactly one expectation."""
    bad = []
    for cell in cells():
        try:
            expected(cell)
        except LookupError:
            bad.append(cell)
    return bad


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
        text += "; never back" if math.isinf(result.back_s) else f"; {result.back_s:.1f} s"
    if result.false_s > 0.0:
        text += f" ({result.false_s:.1f} s)"
    return text + "".join(f" **{words}**" for words in short)
