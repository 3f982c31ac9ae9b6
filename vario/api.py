"""The project from Python: a flight in five lines, its numbers as NumPy arrays or a pandas table.

    >>> from vario import DEMO, replay
    >>> flight = replay(DEMO)
    >>> flight["vario_mps"].shape == flight.t_s.shape
    True
    >>> [climb["direction"] for climb in flight.climbs]
    ['right', 'left']

The names here are stable: they change with a new major version only. Columns are those of trace.csv, in SI
units, the unit in the name. In arrays NaN stands for "no data", as NumPy and pandas expect it.
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
"""The recording that comes with the project: a simulated flight with two climbs, and its truth."""


@dataclass(frozen=True, slots=True)
class Flight:
    """What the instrument made of a recording.

    Attributes:
        name: the recording.
        columns: everything it showed, by column name; arrays of shape (n,), text or numbers with NaN for no
            data. `flight["vario_mps"]` is the short form.
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
        """What to doubt about this flight, one sentence each."""
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
        """How many rows there are."""
        return len(self.t_s)

    def truth(self, column: str) -> NDArray[np.float64]:
        """The simulated truth for a column, interpolated to the rows, shape (n,); NaN beyond its ends.

        >>> error_mps = flight["tas_mps"] - flight.truth("tas_mps")
        >>> bool(abs(error_mps[flight["mode"] == "launch"]).mean() < 0.5)
        True

        Raises:
            KeyError: if the recording holds none.
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
        """The trace as a table, a row an instant, indexed by t_s. Needs pandas (extra `tables`).

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
        config: a settings file, or settings already loaded; None: those the recording carries, else the
            defaults.
        set: values to lay over these settings, by dotted key or short name, as a settings file has them, such
            as {"tone.preset": "calm", "maccready": "2 kt"}; None as a value takes the key out. They also go
            over the changes of settings that the recording holds.

    Returns:
        Everything it showed. Nothing is written.

    Raises:
        RecordingError: if the recording cannot be read.
        SettingsError: with everything that is wrong in the settings.
    """
    source = open_source(recording)
    overrides = from_mapping(set or {})
    loaded = _settings(source, recording, config, overrides)
    source = with_overrides(source, overrides, loaded)
    trace = Columns(TRACE, loaded.settings.trace.rate_hz, source.info.start_utc)
    references = References()
    passage = ReplaySession(
        source, loaded.settings, loaded.glider, follow_changes=config is None, reference=references.take
    )
    for reading in passage:
        trace.take(reading)
    return Flight(str(recording), trace.columns(), references.columns(), passage.summary())


def compare(
    a: Flight,
    b: Flight,
    tolerances: Mapping[str, float] | None = None,
    rms: Mapping[str, float] | None = None,
) -> Comparison:
    """What differs between two flights, as `vario compare` finds it; differences are b − a.

    >>> compare(flight, flight).same
    True

    Args:
        a: what to measure by.
        b: the new one.
        tolerances: by column, the largest difference of a row that counts as none; for the others two units
            in the last decimal of trace.csv.
        rms: by column, the largest root mean square of the differences.
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
