"""The Python interface: the documented examples run, and the numbers equal those of the command."""

from __future__ import annotations

import doctest
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

import vario
import vario.api
from tests.support import missing
from tests.support.csv_tables import csv_rows
from tests.support.examples import everything
from tests.support.page_flights import beginning
from vario import DEMO, Flight, compare, load_settings, open_source, replay
from vario.app.cli import main


@pytest.fixture(scope="module")
def tow(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The first part of the demo, to play often."""
    return beginning(75.0 if everything() else 45.0, tmp_path_factory.mktemp("tow") / "tow.mcap")


@pytest.fixture(scope="module")
def start(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The first seconds of the demo."""
    return beginning(10.0, tmp_path_factory.mktemp("start") / "start.mcap")


@pytest.fixture(scope="module")
def flight(tow: Path) -> Flight:
    return replay(tow)


@pytest.mark.long
def test_the_examples_in_the_documentation_run(flight: Flight) -> None:
    # The first example replays the demo; the others use that flight.
    found = doctest.testmod(vario.api, extraglobs={"flight": flight})
    assert found.attempted >= 7
    assert found.failed == 0


def test_columns_are_those_of_the_trace(start: Path, tmp_path: Path) -> None:
    flight = replay(start)
    assert main(["replay", str(start), "--no-sound", "--no-picture", "--out", str(tmp_path)]) == 0
    rows = csv_rows(tmp_path / "trace.csv")
    assert list(flight) == list(rows[0])
    assert len(flight) == len(rows)
    for name in ("t_s", "vario_mps", "netto_mps", "altitude_m"):
        written = np.array([float(row[name]) if row[name] else np.nan for row in rows])
        np.testing.assert_allclose(flight[name].astype(float), written, atol=6e-3)
    assert flight["mode"].tolist() == [row["mode"] for row in rows]


@pytest.mark.long
def test_five_lines_give_a_pandas_table(flight: Flight) -> None:
    pandas = missing.library("pandas")
    table = flight.to_pandas()
    assert isinstance(table, pandas.DataFrame)
    assert table.index.name == "t_s"
    towed = table[table["mode"] == "launch"]
    assert len(towed) > 300
    assert towed["vario_mps"].mean() == pytest.approx(
        np.nanmean(np.asarray(flight["vario_mps"], float)[flight["mode"] == "launch"])
    )


def test_truth_of_the_simulator_is_at_hand(flight: Flight) -> None:
    error = np.asarray(flight["tas_mps"], float) - flight.truth("tas_mps")
    assert np.nanmean(np.abs(error)) < 0.3  # within the noise of a pitot at walking pace
    heading = flight.truth("heading_rad")
    assert np.nanmin(heading) >= 0.0
    assert np.nanmax(heading) < 2 * np.pi
    with pytest.raises(KeyError, match=r"truth_bugs: not in this recording; it holds .*truth_vario_mps"):
        flight.truth("bugs")


def test_settings_by_path_or_loaded_change_the_flight(
    flight: Flight, tow: Path, start: Path, tmp_path: Path
) -> None:
    slow = tmp_path / "slow.toml"
    slow.write_text('[average]\nwindow = "30 s"\n', encoding="utf-8")
    assert compare(replay(start, slow), replay(start, load_settings(slow))).same
    comparison = compare(flight, replay(tow, slow))
    assert not comparison.same
    assert comparison["average_mps"].differs
    assert not comparison["altitude_m"].differs


def test_a_recording_can_be_walked_through() -> None:
    source = open_source(DEMO)
    assert source.info.origin == "simulated"
    assert next(iter(source)).t_s >= 0.0


def test_an_unknown_name_says_what_there_is() -> None:
    with pytest.raises(AttributeError, match=r"no attribute 'reply'; it offers .*replay"):
        vario.reply  # noqa: B018
    with pytest.raises(KeyError, match=r"vario: no such column; there are t_s, mode"):
        Flight("none", {"t_s": np.zeros(1), "mode": np.array(["cruise"])}, {}, {})["vario"]


def test_importing_the_package_loads_nothing_heavy() -> None:
    said = subprocess.run(
        [sys.executable, "-c", "import sys, vario, vario.app.cli; print(*sys.modules)"],
        check=True,
        capture_output=True,
        text=True,
    ).stdout.split()
    assert not {"numpy", "scipy", "matplotlib", "pydantic", "mcap", "pandas", "rich"} & set(said)


def test_flying_loads_nothing_that_only_pictures_and_tables_need() -> None:
    # The instrument may be switched on at the launch; on a small computer each module takes a second or more
    # to load.
    said = subprocess.run(
        [sys.executable, "-c", "import sys, vario.app.live.run; print(*sys.modules)"],
        check=True,
        capture_output=True,
        text=True,
    ).stdout.split()
    assert "numpy" in said
    assert not {"scipy", "matplotlib", "filterpy", "pandas", "pyarrow", "dask"} & set(said)
