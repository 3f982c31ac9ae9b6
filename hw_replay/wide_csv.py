"""Wide CSV: a table of any program with one column per value, read with a map (`hw_replay.csv_map`).

Rows may be in any order. `t_s` counts from the first row whose time can be read. A row gives one sample for
each mapped channel whose cells are not empty.
"""

from __future__ import annotations

import csv
import math
import os
import re
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path

from drivers import isa
from drivers.samples import CHANNELS, Reference, Sample
from hw_replay.csv_map import UNIX, CsvMap, MappedChannel, read_map
from hw_replay.derived_velocity import DERIVED
from hw_replay.errors import RecordingError
from hw_replay.files import Lines
from hw_replay.importer import Importer
from hw_replay.messages import DECODE, LATEST_T_S, RejectedValueError, reference_decoder
from hw_replay.ordering import RowSorter
from hw_replay.source import GNSS_BARO, RecordingInfo, SensorInfo
from hw_replay.text import one_line, title_of

ROW_LIMIT = 1 << 16
"""Wide tables have longer lines than the other text formats."""

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_DECIMAL_COMMA = re.compile(r"[+-]?\d+,\d+")


def map_beside(path: Path) -> Path:
    """The default map of a table: a file beside it, with ".toml" added to the whole name."""
    return path.with_name(path.name + ".toml")


class WideCsv(Importer):
    """A table with a map as a `Source`.

    Args:
        path: the table, plain or gzip.
        map_path: its map; None: beside it.
        run_rows: samples sorted in memory at a time; more go through a temporary file.

    Raises:
        RecordingError: if one of them cannot be opened, or the map has mistakes.
    """

    time_cure = 'set unit = "{unit}" in [time] of the map'

    def __init__(
        self, path: str | os.PathLike[str], map_path: Path | None = None, run_rows: int = 1 << 17
    ) -> None:
        super().__init__(path, "line")
        self._run_rows = run_rows
        self._lines = Lines(self._path, ROW_LIMIT)
        self._map = self._read_map(map_path or map_beside(self._path))
        self._first_s = self._first_time()
        self._info = RecordingInfo(
            title=one_line(self._map.title or title_of(self._path)),
            origin="imported from CSV by a map",
            start_utc=self._start_utc(),
            sensors=_replaced({one.name for one in self._map.channels}),
        )

    def warnings(self) -> list[str]:
        """Rejected or doubtful data so far, one sentence each."""
        return super().warnings() + self._lines.warnings()

    def _read_map(self, map_path: Path) -> CsvMap:
        found = read_map(map_path)
        header_line = found.lines_before_header + 1
        for number, line in self._lines:
            if number == header_line:
                names = [] if line is None else self._cells(line, found.delimiter)
                return found.checked([name.strip() for name in names])
        raise RecordingError(
            f"{self._path}: the file ends before line {header_line}, which should be the header"
        )

    @staticmethod
    def _cells(line: bytes, delimiter: str) -> list[str]:
        """The cells of a line; a quoted cell that continues in the next line is not supported."""
        text = line.decode("utf-8-sig", "replace").replace("\0", "\ufffd").replace("\r", " ")
        return next(csv.reader([text], delimiter=delimiter, skipinitialspace=True), [])

    def _samples(self) -> Iterator[Sample]:
        with RowSorter(self._run_rows) as sorter:
            self._read_into(sorter)
            last = [-1] * len(self._map.channels)
            for t_ns, place, index, *values in sorter.rows():
                channel = self._map.channels[index]
                if last[index] == t_ns:
                    self._rejects.add(f"{channel.name}: second value for the same time", place // len(last))
                    continue
                last[index] = t_ns
                yield _sample(channel.name, t_ns / 1e9, values)

    def _read_into(self, sorter: RowSorter) -> None:
        channels = self._map.channels
        before: dict[int, list[str]] = {}
        for number, cells in self._rows():
            try:
                t_s = self._time_of(cells) - self._first_s
                if not 0.0 <= t_s <= LATEST_T_S:
                    raise RejectedValueError(
                        "time before that of the first row" if t_s < 0 else "time too late"
                    )
            except RejectedValueError as reason:
                self._rejects.add(str(reason), number)
                continue
            for index, channel in enumerate(channels):
                try:
                    texts = [_cell(cells, column.index) for column in channel.columns.values()]
                    if channel.only_new and before.get(index) == texts:
                        continue
                    before[index] = texts
                    values = self._values(channel, texts, t_s)
                except RejectedValueError as reason:
                    self._rejects.add(str(reason), number)
                    continue
                if values is not None:
                    sorter.add(round(t_s * 1e9), number * len(channels) + index, index, values)

    def _rows(self) -> Iterator[tuple[int, list[str]]]:
        for number, line in self._lines:
            if number <= self._map.header_line or (line is not None and not line.strip()):
                continue
            try:
                if line is None:
                    raise RejectedValueError(f"line longer than {ROW_LIMIT} characters")
                yield number, self._cells(line, self._map.delimiter)
            except RejectedValueError as reason:
                self._rejects.add(str(reason), number)

    def _values(
        self, channel: MappedChannel, texts: list[str], t_s: float
    ) -> tuple[float, float, float] | None:
        """The values of a channel in SI units, NaN for an empty cell; None if all its cells are empty."""
        found: dict[str, float] = {}
        for (name, column), text in zip(channel.columns.items(), texts, strict=True):
            if text:
                found[name] = column.factor * self._number(text, f"column {column.name!r:.60}") + column.add
        if not found:
            return None
        if channel.name.startswith("ref:"):
            values: tuple[float, ...] = (found["value"],)
            reference_decoder(channel.name[4:])(t_s, found)
        else:
            _compute(found)
            DECODE[channel.name](t_s, found)
            values = tuple(found.get(name, math.nan) for name in CHANNELS[channel.name].value_fields)
        a, b, c = (*values, math.nan, math.nan)[:3]
        return a, b, c

    def _number(self, text: str, name: str) -> float:
        if "_" not in text:  # Python reads 1_000 as a number, but tables do not contain such numbers
            try:
                return float(text.replace(",", ".") if self._map.decimal == "," else text)
            except ValueError:
                pass
        if self._map.decimal == "." and _DECIMAL_COMMA.fullmatch(text):
            raise RejectedValueError(f'{name} has a decimal comma: set decimal = "," in [table] of the map')
        raise RejectedValueError(f"{name} is not a number")

    def _time_of(self, cells: list[str]) -> float:
        """The time of a row, s, from the zero of the table."""
        text = _cell(cells, self._map.time_index)
        if self._map.time_factor is not None:
            value = self._number(text, "time") * self._map.time_factor
            if math.isfinite(value):
                return value
            raise RejectedValueError("time is not a number")
        try:
            instant = datetime.fromisoformat(text)
        except ValueError:
            raise RejectedValueError("time is not in the form of ISO 8601") from None
        return (instant.replace(tzinfo=instant.tzinfo or UTC) - _EPOCH) / timedelta(seconds=1)

    def _first_time(self) -> float:
        """The time of the first row that has one; 0 if none has."""
        for _, cells in self._rows():
            try:
                return self._time_of(cells)
            except RejectedValueError:
                continue
        return 0.0

    def _start_utc(self) -> datetime | None:
        if isinstance(self._map.start, datetime):
            return self._map.start
        if self._map.start == UNIX or self._map.time_factor is None:
            try:
                return _EPOCH + timedelta(seconds=self._first_s)
            except OverflowError:
                return None
        return None


def _cell(cells: list[str], index: int) -> str:
    return cells[index].strip() if index < len(cells) else ""


def _compute(found: dict[str, float]) -> None:
    """Replace quantities of the table by those of the channel, which are computed from them."""
    try:
        if "pressure_altitude_m" in found:
            found["static_pa"] = isa.pressure_pa(found.pop("pressure_altitude_m"))
        if "cas_mps" in found:
            found["impact_pa"] = isa.impact_pa(found.pop("cas_mps"))
        if "track_deg" in found and "speed_mps" in found:
            speed, track = found.pop("speed_mps"), math.radians(found.pop("track_deg"))
            found["north_mps"], found["east_mps"] = speed * math.cos(track), speed * math.sin(track)
    except (ValueError, OverflowError):  # an impossible height or speed
        raise RejectedValueError("a value is far outside the possible range") from None


def _sample(name: str, t_s: float, values: list[float]) -> Sample:
    if name.startswith("ref:"):
        return Reference(t_s, name[4:], values[0])
    channel = CHANNELS[name]
    make: Callable[..., Sample] = channel.sample
    count = len(channel.value_fields)
    return make(t_s, *(None if math.isnan(value) else value for value in values[:count]))


def _replaced(channels: set[str]) -> dict[str, SensorInfo]:
    """What the positions replace in a table without pressure or velocity; nothing without positions."""
    replaced = {"baro": GNSS_BARO, "gnss_vel": DERIVED} if "gnss_pos" in channels else {}
    return {name: sensor for name, sensor in replaced.items() if name not in channels}
