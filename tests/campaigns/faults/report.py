"""The matrix as a page: what must hold, and what was measured."""

from __future__ import annotations

import math
from collections.abc import Mapping

from tests.campaigns.faults.cells import FAULTS, FROM_S, PHASES, SENSORS, UNTIL_S, Cell, cells
from tests.campaigns.faults.expectations import BACK_S, FALSE_S, TABLE, Expected, Row, expected, shortfalls
from tests.campaigns.faults.judge import FALSE_MPS, GOOD_MPS, Result

MEASURED = "## What was measured"

_INTRODUCTION = f"""# What a failing sensor does

<!-- Written by `make faults`; the tests check that what must hold is current. -->

Every sensor fails in every way, in cruise, circling and on the launch, in simulated flights whose truth is
known (`tests/campaigns/faults/`). A mid-flight fault lasts from {FROM_S:g} s to {UNTIL_S:g} s. In every cell:

* nothing crashes, and frames go on coming;
* {BACK_S:g} s after the fault at the latest the vario is within {GOOD_MPS:g} m/s of the truth again, and
  quality is as before;
* the tone never tells for longer than {FALSE_S:g} s of a climb above {FALSE_MPS:g} m/s that is more than
  {FALSE_MPS:g} m/s too much, unless the table says that nothing can prevent it.

Faults are those of ordinary modules, see `tests/campaigns/faults/cells.py`. Simulated sensors are not real:
that a cell holds says that the logic is sound, not that an instrument in an aircraft is.

## What must hold, and why
"""

_AFTER = """
## What cannot be promised

* Without a pitot from the start, and half a minute after one is lost, the vario is the climb rate: a
  pull-up sounds as lift. `quality` says so, and a cue when it happens.
* A step of a sensor's reading that a gust or a pull could have made is taken for one, until the other sensors
  contradict it; if none measures the same, for good: an offset of GNSS velocity is wind, one of the
  voltage a flat battery, a slow one of the static port a climb.
* A drift slower than the air's own changes no other sensor sees: 10 Pa a minute on the static port are
  1.5 cm/s of vario.
* In the first minute after a start in the air an air temperature that is not measured costs the vario up
  to 2 m/s in speed changes.
"""


def expectations() -> str:
    """The part that does not depend on flying anything."""
    lines = [_INTRODUCTION]
    for sensor in SENSORS:
        lines += [f"### {sensor.capitalize() if sensor.islower() else sensor}", ""]
        lines += ["| fault | vario's error | is said | why |", "|---|---|---|---|"]
        lines += [_row(row) for row in TABLE if row.sensor == sensor]
        lines.append("")
    return "\n".join(lines) + _AFTER


def measured(results: Mapping[Cell, Result | str]) -> str:
    """The tables of a flown matrix: worst error, and what else there is to say."""
    short = {cell: found for cell, result in results.items() if (found := _short(cell, result))}
    lines = [
        MEASURED,
        "",
        f"{len(results)} cells flown, {len(results) - len(short)} hold, {len(short)} fall "
        f"short. In each: largest "
        "error of the vario shown, m/s (–: never shown); how long after the fault's end all "
        "was as before; in "
        "brackets how long the tone told of a false climb.",
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
        words.append("the battery's warning")
    if not wanted.tone_kept:
        words.append("the tone may tell of a false climb")
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
