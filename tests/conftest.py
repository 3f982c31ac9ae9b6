"""Common parts of every run: Hypothesis profiles, long forms, truth flights, and the list of skipped
tests.
"""

from __future__ import annotations

import gc
import os
import signal
from collections import Counter
from collections.abc import Generator
from pathlib import Path
from typing import Any

import pytest
from hypothesis import Phase, settings
from hypothesis.database import DirectoryBasedExampleDatabase

from tests.support import missing, once
from tests.support.examples import ALL, PART, draw_the_same

MOST_PROCESSOR_S = 250.0
"""Processor time of all tests of `make test`: two minutes and a little on two cores."""
LONG_S = 4.0
"""Processor time of a test, with its fixtures, from which it is listed."""
BEGUN = pytest.StashKey[float]()
TOOK = "processor_s"

# `nohup` ignores this signal, also in the programs that the tests start.
signal.signal(signal.SIGHUP, signal.SIG_DFL)

# No profile has Hypothesis's deadline of 200 ms for an example: no test depends on how fast the machine is.
# Every key is given, for Hypothesis takes others by itself where it sees CI.
settings.register_profile(
    "same", max_examples=ALL, deadline=None, derandomize=True, database=None, print_blob=True
)
settings.register_profile("part", settings.get_profile("same"), max_examples=PART)
settings.register_profile(
    "explore",
    max_examples=ALL,
    deadline=None,
    derandomize=False,
    database=DirectoryBasedExampleDatabase(".hypothesis/examples"),
    print_blob=True,
    suppress_health_check=[],
    phases=tuple(Phase),
)


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--long", action="store_true", help="run the long forms too, as `make test-all` does")
    parser.addoption(
        "--truth",
        type=Path,
        metavar="FOLDER",
        help="keep the truth flights in this folder, and use those that it has: on a machine without the "
        "library that flies them",
    )


def pytest_configure(config: pytest.Config) -> None:
    name = config.getoption("--hypothesis-profile")  # as in `make explore`
    settings.load_profile(name or ("same" if config.getoption("--long") else "part"))
    if not name:
        draw_the_same()


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    if not config.getoption("--long"):
        for item in items:
            if item.get_closest_marker("long"):
                item.add_marker(pytest.mark.skip(reason=missing.LONG))


def pytest_collection_finish() -> None:
    """Look for garbage less often, and not in what is imported: this saves 8 % of the processor time."""
    gc.collect()
    gc.freeze()
    gc.set_threshold(100_000, 20, 50)


@pytest.fixture(scope="session")
def run_folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of this run, common to all its parallel workers."""
    base = tmp_path_factory.getbasetemp()
    return base.parent if base.name.startswith("popen-") else base


@pytest.fixture(scope="session")
def truth_folder(run_folder: Path, pytestconfig: pytest.Config) -> Path:
    """Folder of finished truth flights."""
    named: Path | None = pytestconfig.getoption("--truth")
    return run_folder / "truth" if named is None else named.resolve()


@pytest.fixture(scope="session", autouse=True)
def _kept_for_all_workers(run_folder: Path) -> None:
    once.keep_in(run_folder / "once")


def processor_s() -> float:
    """Processor time of this process and of the programs that it has started and that have ended."""
    times = os.times()
    return times.user + times.system + times.children_user + times.children_system


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item: pytest.Item) -> Generator[None, object, object]:
    item.stash[BEGUN] = processor_s()
    return (yield)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item: pytest.Item, call: pytest.CallInfo[None]) -> Generator[None, Any, Any]:
    if call.when == "teardown":
        item.user_properties.append((TOOK, processor_s() - item.stash[BEGUN]))
    return (yield)


def pytest_terminal_summary(terminalreporter: pytest.TerminalReporter, config: pytest.Config) -> None:
    if not config.getoption("--long"):
        _tell_if_too_slow(terminalreporter)
    _tell_what_was_left_out(terminalreporter)


def _tell_if_too_slow(terminalreporter: pytest.TerminalReporter) -> None:
    """Name the tests that take longest, with the fixtures they set up, if all together take too long."""
    took = {
        report.nodeid: value
        for reports in terminalreporter.stats.values()
        for report in reports
        for name, value in getattr(report, "user_properties", ())
        if name == TOOK
    }
    total_s = sum(took.values())
    if total_s > MOST_PROCESSOR_S:
        terminalreporter.section("warning: the tests take too long; shorten these or mark them as long")
        terminalreporter.write_line(
            f"{total_s:6.1f} s of processor time; at most {MOST_PROCESSOR_S} s expected"
        )
        for test in sorted(took, key=took.__getitem__, reverse=True):
            if took[test] > LONG_S:
                terminalreporter.write_line(f"{took[test]:6.1f} s  {test}")


def _tell_what_was_left_out(terminalreporter: pytest.TerminalReporter) -> None:
    """List the skipped tests by cause, each with the command that installs what is missing."""
    causes = Counter(
        str(report.longrepr[2]).removeprefix("Skipped: ")
        for report in terminalreporter.stats.get("skipped", [])
        if isinstance(report.longrepr, tuple)
    )
    if causes:
        terminalreporter.section("left out, and the command that brings it")
        for cause, count in sorted(causes.items(), key=lambda one: -one[1]):
            terminalreporter.write_line(f"{count:4}  {cause}")
