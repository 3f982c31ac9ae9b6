"""Load the two sides of a comparison: each is a trace, a folder, settings, or a recording."""

from __future__ import annotations

import csv
import io
import json
import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from drivers.samples import Reference
from hw_replay.files import open_binary
from hw_replay.open import open_source
from hw_replay.source import Source
from hw_replay.text import escaped, name_text
from vario.app.config.in_force import settings_in_force, with_overrides
from vario.app.errors import AppError
from vario.app.outputs.catalogue import TRACE as OUTPUTS
from vario.app.outputs.catalogue import TRUTH, output_beside, output_of
from vario.app.outputs.columns import Column, Columns
from vario.app.outputs.references import References
from vario.app.replay.results import SUMMARY, TRACE
from vario.app.replay.session import ReplaySession
from vario.settings.display import METRIC, Display, DisplayUnits
from vario.settings.load import LoadedSettings
from vario.settings.overrides import from_words

if TYPE_CHECKING:
    from vario.app.hindsight.hindsight import Hindsight

Floats = NDArray[np.float64]

_LONGEST_HEADER = 65_536

_SECTION = "display."
"""The beginning of the keys of the display units."""


@dataclass(frozen=True, slots=True)
class Table:
    """One side of a comparison.

    Attributes:
        name: name for messages and the picture.
        columns: columns by their names in trace.csv: times and values, two arrays of shape (n,). A missing
            number is NaN.
        is_reference: whether the values are from the truth or another instrument; then there is no default
            tolerance.
        units: the units in which people read it.
    """

    name: str
    columns: Mapping[str, tuple[Floats, Column]]
    is_reference: bool = False
    units: DisplayUnits = METRIC


def table_of_rows(rows: Sequence[Mapping[str, str]], name: str) -> Table:
    """The table of a trace's rows as text.

    Raises:
        AppError: for a cell that should be a number and is not.
    """
    if not rows or "t_s" not in rows[0]:
        raise AppError(f"{name}: expected a trace, that is a CSV file with a column t_s and at least one row")
    t_s = _numbers([row["t_s"] for row in rows], name, "t_s")
    columns: dict[str, tuple[Floats, Column]] = {}
    for column in rows[0]:
        cells = [row[column] or "" for row in rows]
        if output_of(column).is_text:
            columns[column] = t_s, np.array(cells, dtype=np.str_)
        elif column != "t_s":
            columns[escaped(column)] = t_s, _numbers(cells, name, column)
    return Table(name, columns)


def read_trace(path: Path) -> Table:
    """The table in a trace.csv.

    Raises:
        AppError: if it cannot be read or is not a trace.
    """
    try:
        with open_binary(path) as raw, io.TextIOWrapper(raw, encoding="utf-8", newline="") as file:
            reader = csv.DictReader(file)
            rows = list(reader)
    except (OSError, UnicodeDecodeError, csv.Error) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        raise AppError(f"{path}: cannot be read: {reason}") from error
    for number, row in enumerate(rows, start=2):
        if None in row or None in row.values():
            raise AppError(f"{path}, line {number}: expected {len(reader.fieldnames or ())} cells")
    return replace(table_of_rows(rows, name_text(path)), units=_units_beside(path))


def _units_beside(trace: Path) -> DisplayUnits:
    """The display units of a replay, from the settings in its summary; metric if there is none beside it."""
    try:
        settings = json.loads((trace.parent / SUMMARY).read_text(encoding="utf-8"))["settings"]
        display = {key.removeprefix(_SECTION): v for key, v in settings.items() if key.startswith(_SECTION)}
        return DisplayUnits(Display.model_validate(display))
    except (OSError, ValueError, KeyError, AttributeError, TypeError):
        return METRIC


def replayed(
    source: Source,
    loaded: LoadedSettings,
    name: str,
    *,
    follow_changes: bool,
    hindsight: Hindsight | None = None,
) -> Table:
    """The outputs of the instrument for a recording with given settings."""
    trace = Columns(OUTPUTS, loaded.settings.trace.rate_hz, source.info.start_utc)
    session = ReplaySession(
        source, loaded.settings, loaded.glider, follow_changes=follow_changes, hindsight=hindsight
    )
    for reading in session:
        trace.take(reading)
    columns = trace.columns()
    t_s = np.asarray(columns.pop("t_s"), np.float64)
    units = DisplayUnits(loaded.settings.display)
    return Table(name, {column: (t_s, values) for column, values in columns.items()}, units=units)


def hindsight_sides(recording: Path, words: Sequence[str]) -> tuple[Table, Table]:
    """The vario of a recording in hindsight, as the reference, and what the instrument showed in flight.

    Args:
        recording: the recording.
        words: settings changed for the replay, each KEY=VALUE.

    Raises:
        AppError: if `recording` is not a recording, or contains too little flight.
    """
    from vario.app.hindsight.hindsight import Hindsight  # noqa: PLC0415  (filterpy takes long to load)

    if _kind(recording) != "recording":
        raise AppError(f"{recording}: --hindsight smooths a recording; expected one")
    hindsight = Hindsight()
    live = _side(recording, None, words, OPTIONS[1], hindsight)
    series = hindsight.series()
    if not series.t_s.size:
        raise AppError(f"{recording}: expected some flight to smooth; found none")
    column = series.t_s, np.asarray(series.vario_mps, np.float64)
    return Table(f"{name_text(recording)} in hindsight", {"vario_mps": column}, is_reference=True), live


def references(recording: Path) -> Table:
    """The reference values of a recording, under the names of the corresponding columns.

    If a column has both, the simulated truth is used and not the value of another instrument.

    Raises:
        AppError: if no reference value has a corresponding column.
    """
    found = References()
    for sample in open_source(recording):
        if isinstance(sample, Reference):
            found.take(sample)
    columns: dict[str, tuple[Floats, Column]] = {}
    everything = found.columns()
    for name in sorted(everything, key=lambda name: name.startswith(TRUTH)):
        beside = output_beside(name)
        if beside is not None:
            t_s, values = everything[name]
            order = np.argsort(t_s, kind="stable")
            columns[beside.name] = t_s[order], values[order]
    if not columns:
        held = f"only {', '.join(sorted(everything))}" if everything else "none"
        raise AppError(f"{recording}: expected reference values such as truth_vario_mps; it contains {held}")
    return Table(name_text(recording), columns, is_reference=True)


def both_sides(
    first: Path,
    second: Path | None,
    recording: Path | None,
    overrides: tuple[Sequence[str], Sequence[str]] = ((), ()),
) -> tuple[Table, Table]:
    """The two tables of a comparison.

    A CSV trace, or a folder with one, is used directly. For settings (.toml), the side is the output of the
    instrument with them, for `recording` or for the recording on the other side. A recording gives its
    reference columns and is always the first side, so that differences are errors. With two recordings, the
    first gives its references, and the second gives the output of the instrument with its own settings.

    Without `second` both sides are outputs of the instrument for `first`, a recording or settings. They
    differ by the overrides.

    Args:
        first: one side.
        second: the other side; None: the same as `first`.
        recording: recording to replay with settings.
        overrides: values that override the settings of each side, each KEY=VALUE.

    Raises:
        AppError: if the two cannot be compared; the message states what was expected.
        SettingsError: with every error in the settings of a side.
    """
    kinds = [_kind(first), _kind(first if second is None else second)]
    if second is None and kinds[0] == "trace":
        raise AppError(f"{first}: a trace is compared with another side; expected B after it")
    if second is None and not any(overrides):
        raise AppError(f"{first}: expected B after it, or --set KEY=VALUE to compare it with that change")
    if second is not None and recording is None and "settings" in kinds and "recording" in kinds:
        recording = first if kinds[0] == "recording" else second
    if recording is None and "settings" in kinds:
        raise AppError("settings can only be compared with a recording; give one with --recording")
    if recording is not None and "settings" not in kinds:
        raise AppError(f"--recording {recording} goes with settings files (.toml); neither side is one")
    if second is None:
        return _side(first, recording, overrides[0], OPTIONS[0]), _side(
            first, recording, overrides[1], OPTIONS[1]
        )
    replayed_second = kinds == ["recording", "recording"]
    for place, path in enumerate((first, second)):
        replays = kinds[place] == "settings" or (place == 1 and replayed_second)
        if overrides[place] and not replays:
            what = "a trace" if kinds[place] == "trace" else "compared by its references"
            raise AppError(f"{OPTIONS[place]}: {path} is {what}, in which no setting can be changed")
    if replayed_second:
        return references(first), _side(second, None, overrides[1], OPTIONS[1])
    sides = [
        _read(path) if kind != "settings" else _side(path, recording, words, option)
        for path, kind, words, option in zip((first, second), kinds, overrides, OPTIONS, strict=True)
    ]
    if sides[1].is_reference:
        sides.reverse()
    return sides[0], sides[1]


OPTIONS = ("--set-a", "--set")
"""The options of the command line that change the settings of the first and the second side."""


def _kind(path: Path) -> str:
    if path.is_dir():
        if not (path / TRACE).exists():
            raise AppError(f"{path}: expected a {TRACE} in this folder, as vario replay writes it")
        return "trace"
    if path.suffix == ".toml":
        return "settings"
    if path.suffix == ".csv":
        with open_binary(path) as file:
            names = file.readline(_LONGEST_HEADER).decode("utf-8", "replace").strip().split(",")
        return "recording" if names[:2] == ["t_s", "channel"] else "trace"
    return "recording"


def _read(path: Path) -> Table:
    """Read a trace, or the references of a recording."""
    if _kind(path) == "recording":
        return references(path)
    return read_trace(path / TRACE if path.is_dir() else path)


def _side(
    path: Path,
    recording: Path | None,
    words: Sequence[str],
    option: str,
    hindsight: Hindsight | None = None,
) -> Table:
    """The output of the instrument for `recording` with a settings file, or for `path` itself."""
    is_settings = path.suffix == ".toml"
    source = open_source(recording if is_settings and recording else path)
    overrides = from_words(words, option)
    loaded = settings_in_force(source.info, path, path if is_settings else None, overrides)
    name = name_text(path) if is_settings else f"{name_text(path)} replayed"
    if overrides:
        name += f" with {overrides}"
    source = with_overrides(source, overrides, loaded)
    return replayed(source, loaded, name, follow_changes=not is_settings, hindsight=hindsight)


def _numbers(cells: Iterable[str], name: str, column: str) -> Floats:
    values = []
    for row, cell in enumerate(cells, start=2):
        try:
            values.append(float(cell) if cell else math.nan)
        except ValueError:
            raise AppError(f"{name}, line {row}: {column} = {cell[:40]!r}: expected a number") from None
    return np.array(values, dtype=np.float64)
