"""The map of a wide CSV file: a TOML file that says which column holds which value, and in which unit.

    title = "Flight of the data logger"
    [table]                     # optional
    delimiter = ";"             # default ","
    decimal = ","               # default "."
    lines_before_header = 2     # default 0
    [time]
    column = "time"
    unit = "ms"                 # s, ms, us, ns, or "ISO 8601" for dates with times
    start = 2026-05-01T10:00:00Z  # UTC instant of the first row, or "unix": the column counts from 1970
    [imu_accel]
    x_mps2 = { column = "ax", unit = "g", sign = -1 }
    [ref.other_vario_mps]
    column = "vario"
    unit = "m/s"

A value is `sign * scale * number + offset`, in the stated unit. The whole map is checked, together with the
header of the table, and the error lists all mistakes.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from drivers.samples import CHANNELS
from drivers.suggestion import suggestion
from hw_replay.bounded_toml import parse_toml
from hw_replay.errors import RecordingError
from hw_replay.files import open_binary
from hw_replay.messages import REFERENCE_NAME
from hw_replay.units import IMPORT_UNITS

INSTEAD: Mapping[str, tuple[frozenset[str], ...]] = {
    "baro": (frozenset({"pressure_altitude_m"}),),
    "pitot": (frozenset({"cas_mps"}),),
    "gnss_vel": (frozenset({"speed_mps", "track_deg"}),),
}
"""Values from which the reader computes those of the channel."""

CLOCKS: Mapping[str, float] = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "ns": 1e-9}
ISO = "ISO 8601"
UNIX = "unix"

_NOT_MAPPED = frozenset({"tick"})
_LARGEST_BYTES = 1 << 18


@dataclass(frozen=True, slots=True)
class Column:
    """The column of one value, and its conversion to SI: `factor * number + add`."""

    name: str
    index: int
    factor: float
    add: float


@dataclass(frozen=True, slots=True)
class MappedChannel:
    """The columns of one channel by the names of their values; for a reference the name is "value"."""

    name: str
    columns: Mapping[str, Column]
    only_new: bool = False


@dataclass(frozen=True, slots=True)
class CsvMap:
    """A map that was checked against the header of its table."""

    title: str | None
    delimiter: str
    decimal: str
    header_line: int
    time_index: int
    time_factor: float | None  # None: ISO 8601
    start: datetime | str | None
    channels: tuple[MappedChannel, ...]


@dataclass(slots=True)
class MapFile:
    """A map as written in its file, with the mistakes found so far."""

    path: Path
    content: dict[str, Any]
    mistakes: list[str] = field(default_factory=list)

    @property
    def delimiter(self) -> str:
        """The character between two columns."""
        return self._text("table", "delimiter", ",", (",", ";", "\t", "|", " "))

    @property
    def decimal(self) -> str:
        """The character before the decimals."""
        return self._text("table", "decimal", ".", (".", ","))

    @property
    def lines_before_header(self) -> int:
        """The number of lines to skip."""
        value = self._table("table").get("lines_before_header", 0)
        if type(value) is int and 0 <= value <= 1000:
            return value
        self._mistake(f"table.lines_before_header is {value!r}; expected a whole number from 0 to 1000")
        return 0

    def checked(self, names: Sequence[str]) -> CsvMap:
        """The map, for a table with these columns.

        Raises:
            RecordingError: with all mistakes.
        """
        self._unknown_keys("", self.content, {"title", "table", "time", "ref", *CHANNELS} - _NOT_MAPPED)
        self._unknown_keys("table.", self._table("table"), {"delimiter", "decimal", "lines_before_header"})
        title = self.content.get("title")
        if title is not None and not isinstance(title, str):
            self._mistake(f"title is {title!r}; expected a text")
        delimiter, decimal, before = self.delimiter, self.decimal, self.lines_before_header
        if delimiter == decimal:
            self._mistake(f"table.delimiter and table.decimal are both {decimal!r}; they must differ")
        time_index, factor, start = self._time(names)
        channels = [self._channel(name, names) for name in CHANNELS if name in {*self.content} - _NOT_MAPPED]
        channels += [self._ref(name, entry, names) for name, entry in self._table("ref").items()]
        if not channels:
            possible = ", ".join(name for name in CHANNELS if name not in _NOT_MAPPED)
            self._mistake(f"no channel is mapped; expected at least one of {possible}")
        if self.mistakes:
            plural = "s" if len(self.mistakes) > 1 else ""
            raise RecordingError(
                f"{self.path}: {len(self.mistakes)} mistake{plural} in this map:\n  "
                + "\n  ".join(dict.fromkeys(self.mistakes))
            )
        return CsvMap(title, delimiter, decimal, before + 1, time_index, factor, start, tuple(channels))

    def _time(self, names: Sequence[str]) -> tuple[int, float | None, datetime | str | None]:
        time = self._table("time")
        if "time" not in self.content:
            self._mistake("the table [time] is missing; it needs column and unit")
            return 0, None, None
        self._unknown_keys("time.", time, {"column", "unit", "start"})
        index = self._index("time", time, names)
        unit = self._text("time", "unit", None, (*CLOCKS, ISO))
        start = time.get("start")
        if start is not None and unit == ISO:
            self._mistake("time.start: the column already holds dates; remove it")
        elif isinstance(start, datetime) and start.tzinfo is not None:
            start = start.astimezone(UTC)
        elif start is not None and start != UNIX:
            self._mistake(
                f"time.start is {start!s:.40}; expected a date-time with offset such as "
                f'2026-05-01T10:00:00Z, or "{UNIX}"'
            )
        return index, CLOCKS.get(unit), start

    def _channel(self, name: str, names: Sequence[str]) -> MappedChannel:
        table = dict(self._table(name))
        only_new = table.pop("only_new", False)
        if type(only_new) is not bool:
            self._mistake(f"{name}.only_new is {only_new!r}; expected true or false")
        channel = CHANNELS[name]
        choices = (frozenset(channel.value_fields) - channel.optional, *INSTEAD.get(name, ()))
        known = {*channel.value_fields, *(value for choice in choices for value in choice), "only_new"}
        self._unknown_keys(f"{name}.", table, known)
        given = set(table) & known - channel.optional
        if given not in choices:
            expected = ", or ".join(" and ".join(sorted(choice)) for choice in choices)
            self._mistake(f"{name} maps {' and '.join(sorted(given)) or 'nothing'}; expected {expected}")
        columns = {
            value: self._column(f"{name}.{value}", value, entry, names)
            for value, entry in table.items()
            if value in known
        }
        return MappedChannel(name, columns, bool(only_new))

    def _ref(self, name: str, entry: object, names: Sequence[str]) -> MappedChannel:
        if not re.fullmatch(REFERENCE_NAME, name):
            self._mistake(f"ref.{name[:80]}: expected a name of at most 64 letters, digits, '_', '.', '-'")
        return MappedChannel(f"ref:{name}", {"value": self._column(f"ref.{name}", name, entry, names)})

    def _column(self, key: str, value: str, entry: object, names: Sequence[str]) -> Column:
        if not isinstance(entry, dict):
            self._mistake(f'{key} is {entry!r:.60}; expected {{ column = "NAME", unit = "UNIT" }}')
            return Column("", 0, 1.0, 0.0)
        self._unknown_keys(f"{key}.", entry, {"column", "unit", "sign", "scale", "offset"})
        index = self._index(key, entry, names)
        units = IMPORT_UNITS.get(value.rpartition("_")[2], IMPORT_UNITS["1"])
        unit = entry.get("unit", "1" if units is IMPORT_UNITS["1"] else None)
        if unit not in list(units):
            said = "missing" if unit is None else f"{unit!r}"
            self._mistake(f"{key}.unit is {said}; expected one of {', '.join(units)}")
        sign = entry.get("sign", 1)
        if sign not in [1, -1]:
            self._mistake(f"{key}.sign is {sign!r}; expected 1 or -1")
        scale = self._finite(key, "scale", entry, 1.0)
        if scale == 0.0:
            self._mistake(f"{key}.scale is 0; expected another number")
        offset = self._finite(key, "offset", entry, 0.0)
        if self.mistakes:
            return Column("", 0, 1.0, 0.0)
        factor, add = units[str(unit)]
        return Column(names[index], index, sign * scale * factor, offset * factor + add)

    def _index(self, key: str, entry: Mapping[str, object], names: Sequence[str]) -> int:
        column = entry.get("column")
        if not isinstance(column, str):
            self._mistake(f"{key}.column is {'missing' if column is None else repr(column)}; expected a name")
        elif names.count(column) > 1:
            self._mistake(f"{key}.column: the table has {names.count(column)} columns called {column!r}")
        elif column not in names:
            hint = suggestion(column, names)[:320]
            self._mistake(f"{key}.column: the table has no column {column!r}; {hint}")
        else:
            return names.index(column)
        return 0

    def _finite(self, key: str, name: str, entry: Mapping[str, object], default: float) -> float:
        value = entry.get(name, default)
        if isinstance(value, int | float) and not isinstance(value, bool) and abs(value) < 1e300:
            return float(value)
        self._mistake(f"{key}.{name} is {value!r:.40}; expected a number")
        return default

    def _text(self, table: str, key: str, default: str | None, choices: tuple[str, ...]) -> str:
        value = self._table(table).get(key, default)
        if isinstance(value, str) and value in choices:
            return value
        said = "missing" if value is None else f"{value!r:.40}"
        self._mistake(f"{table}.{key} is {said}; expected one of {', '.join(map(repr, choices))}")
        return choices[0]

    def _table(self, name: str) -> dict[str, Any]:
        value = self.content.get(name, {})
        if isinstance(value, dict):
            return value
        self._mistake(f"{name} is {value!r:.40}; expected a table [{name}]")
        return {}

    def _unknown_keys(self, prefix: str, table: Mapping[str, object], known: set[str]) -> None:
        for key in table:
            if key not in known:
                self._mistake(f"{prefix}{key[:80]} is unknown; {suggestion(key, sorted(known))}")

    def _mistake(self, sentence: str) -> None:
        if sentence not in self.mistakes:
            self.mistakes.append(sentence)


def read_map(path: Path) -> MapFile:
    """The map in a file, not yet checked.

    Raises:
        RecordingError: if it cannot be opened or is not valid TOML.
    """
    with open_binary(path) as file:
        data = file.read(_LARGEST_BYTES + 1)
    if len(data) > _LARGEST_BYTES:
        raise RecordingError(f"{path}: longer than {_LARGEST_BYTES} bytes; expected the map of a CSV file")
    try:
        return MapFile(path, parse_toml(data.decode("utf-8-sig")))
    except ValueError as error:  # TOMLDecodeError and UnicodeDecodeError are ValueErrors
        raise RecordingError(f"{path}: this map is not valid TOML: {error}") from error
