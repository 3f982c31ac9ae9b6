"""`install.sh`: a dry run shows every step and changes nothing; an unsuitable computer gives the reason.

Each step itself is tried in containers of Debian 12 and 13, not here: it changes the system.
"""

from __future__ import annotations

import os
import re
import subprocess
import tomllib
from pathlib import Path

import pytest
from packaging.requirements import Requirement

from tests.support.missing import CHECKOUT, LINUX

ROOT = Path(__file__).parents[2]
SCRIPT, PAGE = ROOT / "install.sh", ROOT / "docs" / "installation.md"
LOCKS = ROOT / ".ci" / "locks"
VERSIONS, EXTRAS = ("3.11", "3.13"), ("controls", "page")
pytestmark = [
    pytest.mark.skipif(not SCRIPT.exists(), reason=CHECKOUT),
    pytest.mark.skipif(not Path("/proc/self").exists(), reason=LINUX),
]


def run(*options: str, first_on_path: Path | None = None) -> subprocess.CompletedProcess[str]:
    path = os.environ["PATH"]
    # `make PYTHON=…` exports it to what it starts. An installation on this machine is not looked at.
    own = {name: value for name, value in os.environ.items() if name != "PYTHON"}
    own["PLACE"] = "/nonexistent" if first_on_path is None else str(first_on_path / "place")
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
    program(tmp_path, "dpkg-query", "exit 1")  # and no packages
    program(tmp_path, "git", 'case "$*" in *rev-parse*) echo 0123456789ab ;; esac')
    (tmp_path / "place").mkdir()
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


@pytest.mark.parametrize(
    "options", [("--sound", "x"), ("--data", "relative"), ("--extras", "tables"), ("--unknown",)]
)
def test_wrong_options_are_told(python: Path, options: tuple[str, ...]) -> None:
    told = run(*options, first_on_path=python)
    assert told.returncode in {1, 2}
    assert told.stderr.startswith("install.sh: ")


@pytest.mark.parametrize(
    ("option", "needed"),
    [
        ("--extras", "page, controls, page,controls or none"),
        ("--data", "a folder, such as /data"),
        ("--sound", "usb, i2s or pwm"),
    ],
)
@pytest.mark.parametrize("value", [(), ("",)])
def test_an_option_without_its_value_says_what_it_needs(
    python: Path, option: str, needed: str, value: tuple[str, ...]
) -> None:
    told = run(option, *value, first_on_path=python)
    assert (told.returncode, told.stderr) == (1, f"install.sh: {option} needs {needed}\n")


def test_the_page_names_every_option() -> None:
    page = PAGE.read_text("utf-8")
    for option in ("--dry-run", "--back", "--data", "--extras", "--sound", "--compiled", "--no-service"):
        assert option in page, option
        assert option in run("--help").stdout


def installed_extras(folder: Path, *options: str) -> list[str]:
    """The extras that a dry run would install, each from its lock and with hashes."""
    told = run("--dry-run", *options, first_on_path=folder)
    assert told.returncode == 0, told.stderr
    (line,) = (line for line in told.stdout.splitlines() if "--require-hashes" in line)
    assert "/.ci/locks/pi-3.11.txt" in line
    return re.findall(r"/\.ci/locks/pi-3\.11-(\w+)\.txt", line)


def keep(folder: Path, *words: str) -> None:
    (folder / "place" / "options").write_text("".join(f"{word}\n" for word in words), "utf-8")


def test_extras_are_installed_only_on_request(python: Path) -> None:
    assert installed_extras(python) == []
    assert installed_extras(python, "--extras", "page") == ["page"]
    assert installed_extras(python, "--extras", "page, controls") == ["controls", "page"]


def test_an_update_keeps_the_options(python: Path) -> None:
    told = run(
        "--dry-run", "--extras", "page", "--data", "/d e", "--compiled", "--no-service", first_on_path=python
    )
    assert f"keep in {python}/place/options: --data /d e --extras page --compiled --no-service" in told.stdout
    keep(python, "--data", "/d e", "--extras", "page", "--compiled", "--no-service")
    again = run("--dry-run", first_on_path=python)
    assert again.stdout == told.stdout
    assert installed_extras(python, "--extras", "controls") == ["controls", "page"]
    assert installed_extras(python, "--extras", "none") == []
    assert installed_extras(python, "--extras", "none", "--extras", "controls") == ["controls"]
    other = run("--dry-run", "--no-compiled", "--service", first_on_path=python).stdout
    assert "HATCH_BUILD_HOOK_ENABLE_CUSTOM" not in other
    assert "install-service --config /d e/vario.toml" in other


def test_the_version_before_gets_the_settings_that_were_kept(python: Path) -> None:
    keep(python, "--data", "/elsewhere")
    for name, release in (("current", "new"), ("former", "old")):
        (python / "place" / name).symlink_to(python / "place" / "releases" / release)
    told = run("--dry-run", "--back", first_on_path=python)
    begun, service, links = told.stdout.partition(
        "releases/old/bin/vario install-service --config /elsewhere/vario.toml"
    )
    assert service, "with the program of the version before"
    assert f"ln -sfn {python}/place/releases/old {python}/place/current" in links
    assert "ln -sfn" not in begun, "a service that cannot be written leaves the version in use"


@pytest.mark.parametrize(
    ("installed", "is_former"), [("0123456789ab-3.11", False), ("ba9876543210-3.11", True)]
)
def test_other_extras_of_this_version_are_not_the_version_before(
    python: Path, installed: str, is_former: bool
) -> None:
    (python / "place" / "current").symlink_to(python / "place" / "releases" / installed)
    told = run("--dry-run", "--extras", "page", first_on_path=python).stdout
    assert "releases/0123456789ab-3.11-page" in told
    assert (f"{installed} {python}/place/former" in told) is is_former


def test_what_has_no_built_files_is_built(python: Path) -> None:
    """lgpio 0.2.2.0 has wheels up to Python 3.12 (pypi.org, files of the project)."""
    built = (
        "apt-get install -qq -y --no-install-recommends python3-venv libportaudio2 alsa-utils swig gcc",
        "PYPI=1",
    )
    for version in VERSIONS:
        program(python, "python3", f"echo {version}")
        told = run("--dry-run", "--extras", "controls", first_on_path=python).stdout
        assert [text in told for text in built] == [version == "3.13"] * 2
        assert "swig" not in run("--dry-run", "--extras", "page", first_on_path=python).stdout


def locked(name: str) -> dict[str, list[str]]:
    """Packages with version, and the hashes of each."""
    found: dict[str, list[str]] = {}
    for line in (LOCKS / f"{name}.txt").read_text("utf-8").splitlines():
        if "==" in line:
            found[line.split()[0]] = []
        elif "--hash=sha256:" in line:
            found[list(found)[-1]].append(line.strip(" \\"))
    return found


@pytest.mark.parametrize("version", VERSIONS)
def test_the_locks_of_extras_agree_with_each_other_and_name_what_the_extras_ask(version: str) -> None:
    extras = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]["optional-dependencies"]
    versions = {text.split("==")[0]: text for text in locked(f"pi-{version}")}
    for extra in EXTRAS:
        packages = locked(f"pi-{version}-{extra}")
        assert all(packages.values())
        for text in packages:
            assert versions.setdefault(text.split("==")[0], text) == text
        for requirement in map(Requirement, extras[extra]):
            (found,) = (text for text in packages if text.startswith(f"{requirement.name}=="))
            assert found.split("==")[1] in requirement.specifier
