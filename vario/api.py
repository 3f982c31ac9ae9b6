"""The Python interface: replay a flight, and get its values as NumPy arrays or as a pandas table.

    >>> from vario import DEMO, replay
    >>> flight = replay(DEMO)
    >>> flight["vario_mps"].shape == flight.t_s.shape
    True
    >>> [climb["direction"] for climb in flight.climbs]
    ['right', 'left']

The names in this module are stable: they change only with a new major version. The columns are those of
trace.csv, in SI units, with the unit in the name. In arrays NaN means "no data", as in NumPy and pandas.
"""

from __future__ import annotations

import math
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from hw_replay.open import open_source
from hw_replay.simulate.demo import BUNDLED
from hw_replay.source import Source
from vario.app.compare.compare import compare_tables
from vario.app.compare.result import Comparison, Tolerances
from vario.app.compare.tables import Table
from vario.app.config.in_force import settings_in_force, with_overrides
from vario.app.errors import AppError
from vario.app.outputs.catalogue import TRACE
from vario.app.outputs.columns import Column, Columns
from vario.app.outputs.references import References
from vario.app.replay.session import ReplaySession
from vario.settings.load import LoadedSettings
from vario.settings.overrides import Overrides, from_mapping

if TYPE_CHECKING:
    import pandas as pd

PathLike = str | os.PathLike[str]

DEMO: Path = BUNDLED
"""The bundled recording: a simulated flight with two climbs, and its true values."""


@dataclass(frozen=True, slots=True)
class Flight:
    """The outputs of the instrument for a recording.

    Attributes:
        name: the recording.
        columns: all outputs by column name; arrays of shape (n,), text or numbers with NaN for no data.
            `flight["vario_mps"]` is the short form.
        references: values to compare with (simulated truth, other instruments) by name: times and values,
            both of shape (k,).
        summary: the content of summary.json.
    """

    name: str
    columns: Mapping[str, Column]
    references: Mapping[str, tuple[NDArray[np.float64], NDArray[np.float64]]]
    summary: Mapping[str, Any]

    @property
    def t_s(self) -> NDArray[np.float64]:
        """Times of the rows, shape (n,)."""
        return np.asarray(self.columns["t_s"], np.float64)

    @property
    def climbs(self) -> list[dict[str, Any]]:
        """The climbs: start_s, end_s, gain_m, average_mps, turns, direction."""
        found: list[dict[str, Any]] = self.summary["climbs"]
        return found

    @property
    def warnings(self) -> list[str]:
        """Warnings about this flight, one sentence each."""
        found: list[str] = self.summary["warnings"]
        return found

    def __getitem__(self, column: str) -> Column:
        """A column of the trace, shape (n,)."""
        try:
            return self.columns[column]
        except KeyError:
            raise KeyError(f"{column}: no such column; there are {', '.join(self.columns)}") from None

    def __iter__(self) -> Iterator[str]:
        """The names of the columns."""
        return iter(self.columns)

    def __len__(self) -> int:
        """The number of rows."""
        return len(self.t_s)

    def truth(self, column: str) -> NDArray[np.float64]:
        """The simulated truth for a column, interpolated at the rows, shape (n,); NaN outside its range.

        >>> error_mps = flight["tas_mps"] - flight.truth("tas_mps")
        >>> bool(abs(error_mps[flight["mode"] == "launch"]).mean() < 0.5)
        True

        Raises:
            KeyError: if the recording contains none.
        """
        name = f"truth_{column}"
        if name not in self.references:
            held = ", ".join(sorted(self.references)) or "nothing"
            raise KeyError(f"{name}: not in this recording; it holds {held}")
        t_s, values = self.references[name]
        if column.endswith("_rad"):
            turned = np.interp(self.t_s, t_s, np.unwrap(values), np.nan, np.nan)
            return turned % math.tau if column == "heading_rad" else turned
        return np.interp(self.t_s, t_s, values, np.nan, np.nan)

    def to_pandas(self) -> pd.DataFrame:
        """The trace as a table with one row per instant, indexed by t_s. It needs pandas (extra `tables`).

        Raises:
            AppError: if pandas is not installed.
        """
        try:
            import pandas as pd  # noqa: PLC0415  (optional, and slow to load)
        except ImportError as error:
            raise AppError(
                "to_pandas needs pandas, which is not installed: pip install 'glider-vario[tables]'"
            ) from error
        return pd.DataFrame({name: self.columns[name] for name in self.columns}).set_index("t_s")


def replay(
    recording: PathLike,
    config: PathLike | LoadedSettings | None = None,
    set: Mapping[str, Any] | None = None,  # noqa: A002  (as on the command line)
) -> Flight:
    """Play a recording through the instrument.

    Args:
        recording: a recording (MCAP), a long CSV (also gzipped) or an FAI/IGC file.
        config: a settings file, or loaded settings; None: those in the recording, otherwise the defaults.
        set: values that override these settings, by dotted key or short name, written as in a settings file,
            such as {"tone.preset": "calm", "maccready": "2 kt"}; the value None removes the key. They also
            override the changes of settings in the recording.

    Returns:
        All outputs. No file is written.

    Raises:
        RecordingError: if the recording cannot be read.
        SettingsError: lists all faults in the settings.
    """
    source = open_source(recording)
    overrides = from_mapping(set or {})
    loaded = _settings(source, recording, config, overrides)
    source = with_overrides(source, overrides, loaded)
    trace = Columns(TRACE, loaded.settings.trace.rate_hz, source.info.start_utc)
    references = References()
    session = ReplaySession(
        source, loaded.settings, loaded.glider, follow_changes=config is None, reference=references.take
    )
    for reading in session:
        trace.take(reading)
    return Flight(str(recording), trace.columns(), references.columns(), session.summary())


def compare(
    a: Flight,
    b: Flight,
    tolerances: Mapping[str, float] | None = None,
    rms: Mapping[str, float] | None = None,
) -> Comparison:
    """The differences between two flights, as `vario compare` computes them; they are b − a.

    >>> compare(flight, flight).same
    True

    Args:
        a: the reference.
        b: the new flight.
        tolerances: by column, the largest difference of a row that is ignored; for the other columns it is
            two units of the last decimal place in trace.csv.
        rms: by column, the largest permitted root mean square of the differences.
    """
    return compare_tables(_table(a), _table(b), Tolerances(tolerances or {}, rms or {}))


def _table(flight: Flight) -> Table:
    return Table(flight.name, {name: (flight.t_s, flight[name]) for name in flight if name != "t_s"})


def _settings(
    source: Source, recording: PathLike, config: PathLike | LoadedSettings | None, overrides: Overrides
) -> LoadedSettings:
    if not isinstance(config, LoadedSettings):
        return settings_in_force(source.info, recording, config, overrides)
    return config.with_overrides(overrides)
