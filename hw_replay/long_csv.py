"""Long CSV, plain or gzip: one reading per row, `t_s,channel,v1,v2,v3`.

Channels and values: `baro` Pa; `pitot` Pa (pitot minus static); `imu_accel` m/s^2 and `imu_gyro` rad/s
in body axes; `gnss_pos` latitude and longitude in degrees, metres above mean sea level; `gnss_vel`
north, east, down in m/s (down may be empty); `oat` degrees Celsius; `load_factor`; `supply` volts;
`ref:NAME` a value to compare with. Values that a channel does not have are empty. Rows may be in any
order.
"""

from __future__ import annotations

import codecs
import math
import os
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

from drivers.isa import CELSIUS_ZERO_K
from drivers.samples import CHANNELS, Channel, Reference, Sample
from drivers.suggestion import suggestion
from hw_replay.errors import RecordingError
from hw_replay.files import LINE_LIMIT, Lines, read_start
from hw_replay.importer import Importer
from hw_replay.messages import (
    LATEST_T_S,
    REFERENCE_NAME,
    RejectedValueError,
    ValueRule,
    outside,
    value_rules,
)
from hw_replay.ordering import RowSorter
from hw_replay.source import RecordingInfo
from hw_replay.text import title_of

HEADER = "t_s,channel,v1,v2,v3"
COLUMNS = 5

UTF_16 = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
"""The first bytes of text that some spreadsheets write."""

_REFERENCE = re.compile(f"ref:({REFERENCE_NAME})")
_MOST_REFERENCES = 200
_MOST_SUGGESTIONS = 20

_Build = Callable[[float, float, float, float], Sample]


@dataclass(frozen=True, slots=True)
class _RowRules:
    """The rules by which the rows of one channel are checked and converted into samples."""

    index: int
    name: str
    rules: tuple[ValueRule | None, ...]  # None: a column that this channel does not use
    add: float
    build: _Build


class LongCsv(Importer):
    """A long CSV file as a `Source`: its rows in order of time, each checked.

    Args:
        path: the file.
        run_rows: rows sorted in memory at a time; more go through a temporary file.

    Raises:
        RecordingError: if the file cannot be opened or its first line is not the header.
    """

    time_cure = "divide the column t_s by {parts}"

    def __init__(self, path: str | os.PathLike[str], run_rows: int = 1 << 17) -> None:
        super().__init__(path, "line")
        self._run_rows = run_rows
        self._info = RecordingInfo(title=title_of(self._path), origin="imported from long CSV")
        self._lines = Lines(self._path)
        check_header(self._path)

    def warnings(self) -> list[str]:
        """Rejected or doubtful data so far, one sentence each."""
        sentences = super().warnings()
        if self._out_of_order:
            sentences.append(
                f"{self._out_of_order} of {self._rows} rows were not in order of time; they were sorted in"
            )
        return sentences + self._lines.warnings()

    def _samples(self) -> Iterator[Sample]:
        with RowSorter(self._run_rows) as sorter:
            self._read_into(sorter)
            now_ns = -1
            seen: set[int] = set()
            for t_ns, line, index, v1, v2, v3 in sorter.rows():
                if t_ns != now_ns:
                    now_ns = t_ns
                    seen.clear()
                kind = self._by_index[index]
                if index in seen:
                    self._rejects.add(f"{kind.name}: second row for the same time", line)
                    continue
                seen.add(index)
                yield kind.build(t_ns / 1e9, v1, v2, v3)

    def _begin(self) -> None:
        super()._begin()
        self._rows = 0
        self._out_of_order = 0
        self._by_index = [_kind_of_channel(index, channel) for index, channel in enumerate(CHANNELS.values())]
        self._by_name = {kind.name.encode(): kind for kind in self._by_index}
        self._unknown: dict[bytes, str] = {}

    def _read_into(self, sorter: RowSorter) -> None:
        latest_ns = 0
        lines = iter(self._lines)
        next(lines, None)  # the header, checked on opening
        for number, line in lines:
            if line is None:
                self._rejects.add(f"line longer than {LINE_LIMIT} characters", number)
                continue
            if not line.strip():
                continue
            try:
                t_ns, index, values = self._row(line)
            except RejectedValueError as reason:
                self._rejects.add(str(reason), number)
                continue
            self._rows += 1
            if t_ns < latest_ns:
                self._out_of_order += 1
            else:
                latest_ns = t_ns
            sorter.add(t_ns, number, index, values)

    def _row(self, line: bytes) -> tuple[int, int, tuple[float, float, float]]:
        """Time in ns, kind and values of a row; only here NaN means an empty column."""
        columns = line.split(b",")
        if len(columns) != COLUMNS:
            raise RejectedValueError(f"not {COLUMNS} columns")
        name = columns[1].strip()
        kind = self._by_name.get(name) or self._new_kind(name)
        t_s = _number(columns[0], "t_s")
        if not 0.0 <= t_s <= LATEST_T_S:
            raise RejectedValueError(f"t_s outside 0 to {LATEST_T_S:g} s")
        values = []
        for text, rule in zip(columns[2:], kind.rules, strict=True):
            if rule is None or (rule.optional and not text.strip()):
                if text.strip():
                    raise RejectedValueError(f"{kind.name}: a value in a column it does not use")
                values.append(math.nan)
                continue
            value = _number(text, f"{kind.name}: {rule.name}") + kind.add
            if not rule.low <= value <= rule.high:
                raise RejectedValueError(f"{kind.name}: {outside(rule)}")
            values.append(value)
        return round(t_s * 1e9), kind.index, (values[0], values[1], values[2])

    def _new_kind(self, name: bytes) -> _RowRules:
        """The kind of a reference that occurs for the first time; any other name is an error."""
        if name in self._unknown:
            raise RejectedValueError(self._unknown[name])
        text = name.decode("utf-8", "replace")
        match = _REFERENCE.fullmatch(text)
        if match is None:
            if len(self._unknown) >= _MOST_SUGGESTIONS:
                raise RejectedValueError("unknown channel")
            self._unknown[name] = _unknown_channel(text)
            raise RejectedValueError(self._unknown[name])
        if len(self._by_index) >= len(CHANNELS) + _MOST_REFERENCES:
            raise RejectedValueError(f"more than {_MOST_REFERENCES} different references")
        kind = _kind_of_reference(len(self._by_index), match[1])
        self._by_index.append(kind)
        self._by_name[name] = kind
        return kind


def check_header(path: Path) -> None:
    """Make sure that the first line is the header.

    Raises:
        RecordingError: if it is not; the message quotes the line.
    """
    start = read_start(path, 400)
    if start.startswith(UTF_16):
        raise RecordingError(f"{path}: this is UTF-16 text; expected UTF-8 or ASCII, save it as such")
    first = start.decode("utf-8-sig", "replace").split("\n")[0].strip()
    if first.replace(" ", "") != HEADER:
        shown = repr(first[:60]) if first else "empty"
        raise RecordingError(f"{path}: the first line is {shown}; expected the header {HEADER!r}")


def _number(text: bytes, name: str) -> float:
    if b"_" not in text:  # Python reads 1_000 as a number, but tables do not contain such numbers
        try:
            return float(text)
        except ValueError:
            pass
    raise RejectedValueError(f"{name} is not a number" if text.strip() else f"{name} missing")


def _unknown_channel(name: str) -> str:
    return f"unknown channel {name[:40]!r} ({suggestion(name.lower(), [*CHANNELS, 'ref:NAME'])})"


def _kind_of_channel(index: int, channel: Channel) -> _RowRules:
    rules = value_rules(channel)
    return _RowRules(
        index,
        channel.name,
        (*rules, *[None] * (COLUMNS - 2 - len(rules))),
        CELSIUS_ZERO_K if channel.name == "oat" else 0.0,
        _builder(channel.sample, rules),
    )


def _builder(make: Callable[..., Sample], rules: tuple[ValueRule, ...]) -> _Build:
    if not rules:
        return lambda t_s, _v1, _v2, _v3: make(t_s)
    if len(rules) == 1:
        return lambda t_s, v1, _v2, _v3: make(t_s, v1)
    if not any(rule.optional for rule in rules):
        return make
    return lambda t_s, v1, v2, v3: make(t_s, *(None if math.isnan(v) else v for v in (v1, v2, v3)))


def _kind_of_reference(index: int, name: str) -> _RowRules:
    limit = ValueRule("value", -1e300, 1e300, optional=False)
    return _RowRules(
        index, f"ref:{name}", (limit, None, None), 0.0, lambda t_s, v1, _v2, _v3: Reference(t_s, name, v1)
    )
