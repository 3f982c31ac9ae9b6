"""What every run has in common: how Hypothesis draws, long forms, truth flights, and what was left out."""

from __future__ import annotations

import importlib
import pkgutil
from collections import Counter
from pathlib import Path

import pytest
from hypothesis import Phase, settings
from hypothesis.database import DirectoryBasedExampleDatabase

from tests import missing

# No profile has Hypothesis's deadline of 200 ms for an example: no test depends on how fast the machine is.
# Every key is given, for Hypothesis takes others by itself where it sees CI.
settings.register_profile("same", deadline=None, derandomize=True, database=None, print_blob=True)
settings.register_profile(
    "explore",
    deadline=None,
    derandomize=False,
    database=DirectoryBasedExampleDatabase(".hypothesis/examples"),
    print_blob=True,
    suppress_health_check=[],
    phases=tuple(Phase),
)
settings.load_profile("same")  # `--hypothesis-profile explore`, as in `make explore`, comes after this


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--long", action="store_true", help="run the long forms too, as `make test-all` does")


def pytest_sessionstart() -> None:
    """Import all of the project before the first test.

    Hypothesis also draws constants found in the modules that are imported by then. Examples that are to be
    the same every time, in any order and on any number of workers, need the same modules.
    """
    for name in ("drivers", "hw_replay", "vario"):
        package = importlib.import_module(name)
        for module in pkgutil.walk_packages(package.__path__, f"{name}."):
            if not module.name.endswith("__main__"):
                importlib.import_module(module.name)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if not config.getoption("--long"):
        for item in items:
            if item.get_closest_marker("long"):
                item.add_marker(pytest.mark.skip(reason=missing.LONG))


@pytest.fixture(scope="session")
def truth_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Where truth flights lie once they are flown: one folder a run, also for all its parallel workers."""
    base = tmp_path_factory.getbasetemp()
    return (base.parent if base.name.startswith("popen-") else base) / "truth"


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter) -> None:
    """List what was left out, by cause, each with the one command that brings it."""
    causes = Counter(
        str(report.longrepr[2]).removeprefix("Skipped: ")
        for report in terminalreporter.stats.get("skipped", [])
        if isinstance(report.longrepr, tuple)
    )
    if causes:
        terminalreporter.section("left out, and the command that brings it")
        for cause, count in sorted(causes.items(), key=lambda one: -one[1]):
            terminalreporter.write_line(f"{count:4}  {cause}")
