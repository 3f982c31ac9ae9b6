"""A first pass over a FAI/IGC file: its content, and notes for the pilot."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from datetime import datetime

from hw_replay.igc_clock import FixClock
from hw_replay.igc_engine import EngineWatch
from hw_replay.igc_records import (
    FIX_BYTES,
    K_BYTES,
    SCALES,
    Extension,
    Extensions,
    header_text,
    parse_date,
    parse_extensions,
    parse_fix,
)
from hw_replay.messages import RejectedValueError

FEWEST_USUAL = 10
USUAL_SHARE = 0.005
LONGEST_USUAL_S = 12.0
"""A step is usual if it is at most this long, and at least this number and this share of all steps are as
long.
"""


@dataclass(slots=True)
class Survey:
    """The result of the first pass.

    Attributes:
        date: midnight UTC of the first day.
        glider: glider type as entered.
        extensions: all extensions of B records that the I record declares.
        k_extensions: the extensions of K records that the J record declares.
        has_pressure: whether any pressure altitude differs from 0.
        has_gnss_altitude: whether any GNSS altitude of a valid fix differs from 0.
        step_s: the commonest time between fixes.
        longest_step_s: the longest usual one; recorders log less often at rest.
        duration_s: last minus first fix.
        notes: sentences for the pilot.
    """

    date: datetime | None = None
    glider: str | None = None
    extensions: Extensions = field(default_factory=dict)
    k_extensions: Extensions = field(default_factory=dict)
    has_pressure: bool = False
    has_gnss_altitude: bool = False
    step_s: float | None = None
    longest_step_s: float | None = None
    duration_s: float | None = None
    notes: list[str] = field(default_factory=list)
    _not_zero: set[str] = field(default_factory=set)
    _more_days: bool = False

    def usable(self, extensions: Extensions) -> dict[str, Extension]:
        """The extensions with values that this project uses, of sensors that are fitted."""
        return {
            code: extension
            for code, extension in extensions.items()
            if extension.scale is not None and code in self._not_zero
        }


def survey(lines: Iterable[tuple[int, str]]) -> Survey:
    """Read all lines once; memory use does not depend on their number."""
    found = Survey()
    datums: dict[str, str] = {}
    clock: FixClock[None] = FixClock()
    steps: Counter[float] = Counter()
    engine = EngineWatch()
    first_s = last_s = None
    for _, line in lines:
        try:
            if line[0] == "B":
                fix = parse_fix(line, found.extensions)
                found.has_pressure = found.has_pressure or fix.pressure_altitude_m != 0
                engine.take(line, found.extensions, fix.second_of_day)
                found.has_gnss_altitude |= fix.has_position and fix.gnss_altitude_m != 0
                _note_values(line, found.extensions, found._not_zero)
                for t_s, _item in clock.take(fix.second_of_day, None)[0]:
                    first_s = t_s if first_s is None else first_s
                    if last_s is not None and len(steps) < 1000:
                        steps[round(t_s - last_s, 3)] += 1
                    last_s = t_s
            elif line[0] == "K":
                _note_values(line, found.k_extensions, found._not_zero)
            elif line[0] == "I":
                found.extensions = parse_extensions(line, FIX_BYTES)
            elif line[0] == "J":
                found.k_extensions = parse_extensions(line, K_BYTES)
            elif line[0] == "H":
                _note_header(line, found, datums)
                clock.date(parse_date(line))
        except RejectedValueError as reason:
            note = f"{line[0]} record: {reason}"
            if line[0] in "IJ" and note not in found.notes:  # a damaged file may contain it a thousand times
                found.notes.append(note)
    for t_s, _item in clock.finish()[0]:
        first_s = last_s = t_s
    found.step_s = steps.most_common(1)[0][0] if steps else None
    found.longest_step_s = _longest_usual(steps)
    found.duration_s = None if first_s is None or last_s is None else last_s - first_s
    found.notes.extend([*_notes(found, datums), *engine.notes()])
    return found


def _note_header(line: str, found: Survey, datums: dict[str, str]) -> None:
    date = parse_date(line)
    found.date = found.date or date
    found._more_days = found._more_days or (date is not None and date != found.date)
    found.glider = found.glider or header_text(line, "GTY")
    for code in ("ALG", "ALP"):
        datums[code] = header_text(line, code) or datums.get(code, "")


def _longest_usual(steps: Counter[float]) -> float | None:
    """The longest step that is neither rare nor a gap in the recording."""
    if not steps:
        return None
    often = max(FEWEST_USUAL, USUAL_SHARE * steps.total())
    usual = [step for step, count in steps.items() if count >= often and step <= LONGEST_USUAL_S]
    return max([*usual, steps.most_common(1)[0][0]])


def _note_values(line: str, extensions: Extensions, not_zero: set[str]) -> None:
    for code, extension in extensions.items():
        if code in SCALES and code not in not_zero:
            try:
                if extension.integer(line):
                    not_zero.add(code)
            except RejectedValueError:
                continue


def _notes(found: Survey, datums: Mapping[str, str]) -> list[str]:
    if found.duration_s is None:
        return ["the file holds no fix that can be used"]
    notes = []
    if found.step_s is not None and found.step_s > LONGEST_USUAL_S:
        notes.append(
            f"there is a fix only every {found.step_s:g} s; steps above {LONGEST_USUAL_S:g} s are gaps, "
            "so turns and climbs cannot be found"
        )
    if found.date is None:
        notes.append("the file gives no valid date; times count from midnight of an unknown day")
    if found._more_days:
        notes.append(
            "the file gives more than one date; times count from the first, and whole days between "
            "two flights are removed"
        )
    if not found.has_pressure:
        notes.append("the pressure altitude is 0 throughout: no pressure sensor")
    elif datums.get("ALP", "").upper()[:3] not in {"", "ISA"}:
        notes.append(
            f"the file states {datums['ALP']!r} for its pressure altitude; it was read as the standard's ISA"
        )
    if datums.get("ALG", "").upper()[:3] != "GEO":
        notes.append(
            "GNSS heights were taken as above mean sea level; recorders may give them above the "
            "WGS 84 ellipsoid, up to 100 m different"
        )
    for declared in (found.extensions, found.k_extensions):
        for code, extension in declared.items():
            if code not in SCALES:
                continue
            width = extension.stop - extension.start
            if extension.scale is None:
                notes.append(f"{code} with {width} digits: the value of a digit is not known; not used")
            elif code not in found._not_zero:
                notes.append(f"{code} is 0 or blank throughout: treated as not fitted")
    return notes
