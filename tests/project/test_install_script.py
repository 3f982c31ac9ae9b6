"""`install.sh`: a dry run shows every step and changes nothing; an unsuitable computer gives the reason.

Each step itself is tried in containers of Debian 12 and 13, not here: it changes the system.
"""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

from tests.support.missing import CHECKOUT, LINUX

ROOT = Path(__file__).parents[2]
SCRIPT, PAGE = ROOT / "install.sh", ROOT / "docs" / "installation.md"
pytestmark = [
    pytest.mark.skipif(not SCRIPT.exists(), reason=CHECKOUT),
    pytest.mark.skipif(not Path("/proc/self").exists(), reason=LINUX),
]


def run(*options: str, first_on_path: Path | None = None) -> subprocess.CompletedProcess[str]:
    path = os.environ["PATH"]
    # `make PYTHON=…` exports it to what it starts.
    own = {name: value for name, value in os.environ.items() if name != "PYTHON"}
    return subprocess.run(  # noqa: S603  (our own script)
        [str(SCRIPT), *options],
        capture_output=True,
        text=True,
        check=False,
        timeout=60,
        env={**own, "PATH": path if first_on_path is None else f"{first_on_path}:{path}"},
    )


def program(folder: Path, name: str, text: str) -> None:
    path = folder / name
    path.write_text(f"#!/bin/sh\n{text}\n")
    path.chmod(0o755)


@pytest.fixture
def python(tmp_path: Path) -> Path:
    """A folder with a python3 of Debian 12, independent of this machine."""
    program(tmp_path, "python3", "echo 3.11")
    program(tmp_path, "id", "exit 1")  # no user of the instrument, as before the first installation
    return tmp_path


def test_a_dry_run_shows_the_steps_and_changes_nothing(python: Path) -> None:
    told = run("--dry-run", "--data", str(python / "data"), first_on_path=python)
    assert told.returncode == 0, told.stderr
    for step in ("--require-hashes", "useradd --system", "install-service", "vario check --config"):
        assert step in told.stdout
    assert not (python / "data").exists()


def test_32_bits_are_refused_with_the_reason(python: Path) -> None:
    program(python, "getconf", "echo 32")
    told = run("--dry-run", first_on_path=python)
    assert told.returncode == 1
    assert "expected a 64-bit one" in told.stderr


def test_another_python_is_refused(python: Path) -> None:
    program(python, "python3", "echo 3.9")
    told = run("--dry-run", first_on_path=python)
    assert told.returncode == 1
    assert "Python 3.9; expected 3.11 (Debian 12) or 3.13 (Debian 13)" in told.stderr


@pytest.mark.parametrize("options", [("--sound", "x"), ("--data", "relative"), ("--unknown",)])
def test_wrong_options_are_told(python: Path, options: tuple[str, ...]) -> None:
    told = run(*options, first_on_path=python)
    assert told.returncode in {1, 2}
    assert told.stderr.startswith("install.sh: ")


def test_the_page_names_every_option() -> None:
    page = PAGE.read_text("utf-8")
    for option in ("--dry-run", "--back", "--data", "--sound", "--compiled", "--no-service"):
        assert option in page, option
        assert option in run("--help").stdout
