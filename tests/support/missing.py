"""Programs and libraries that a machine may lack, each with the command that installs it.

A test that cannot run without them is skipped with one of these reasons; the end of a run lists them
(`tests/conftest.py`). Each reads "needs WHAT: COMMAND".
"""

from __future__ import annotations

import importlib
from types import ModuleType

import pytest

PORTAUDIO = "needs PortAudio, which brings ALSA: sudo apt install libportaudio2"
SIMPLEAUDIO = (
    "needs simpleaudio: sudo apt install gcc python3-dev libasound2-dev && .venv/bin/pip install simpleaudio"
)
ESPEAK = "needs espeak-ng: sudo apt install espeak-ng"
SOX = "needs SoX: sudo apt install sox"
CHROMIUM = "needs Chromium with its driver: sudo apt install chromium chromium-driver"
SYSTEMD = "needs systemd-analyze: sudo apt install systemd"
JSBSIM = (
    "needs jsbsim, which flies the truth flights: "
    "sudo apt install g++ python3-dev && .venv/bin/pip install jsbsim"
)
"""There is no wheel of it for 64-bit Arm, so it is compiled there."""
OLDER_PYTHON = "needs Python 3.11: make test-all PYTHON=python3.11 VENV=.venv-3.11"
NEWER_PYTHON = "needs Python 3.13: make test-all PYTHON=python3.13 VENV=.venv-3.13"
COMPILED = "needs the compiled installation: .ci/run"
INTERPRETED = "needs the interpreted installation, whose classes can be copied and inspected: make test"
KERNEL_HEADERS = "needs the headers of the kernel: sudo apt install linux-libc-dev"
ROOT = "needs root, as in CI: sudo make test-all"
CHECKOUT = "needs the whole checkout: make test"
INSTALLED = "needs the installed program: make test"
LINUX = "needs Linux: make test on such a machine"
TEST_LIBRARY = "needs the libraries of the extra test: make test"
FORMATS = "needs the libraries of the extra formats: .venv/bin/pip install -e '.[formats]'"
VIEWER = "needs rerun, an open viewer (170 MB): .venv/bin/pip install rerun-sdk"
NOTHING_TO_SEE = "fault of a chip that has no means to show it: no command, nothing is lost"
LONG = "long forms: make test-all"

SOUND = {"sounddevice": PORTAUDIO, "simpleaudio": SIMPLEAUDIO}
"""The reasons by the library for sound."""


def library(name: str, reason: str = TEST_LIBRARY) -> ModuleType:
    """Import a library; if it is missing, the test is skipped, or at the top of a module the whole module.

    `pytest.importorskip` is not enough: sounddevice is there without PortAudio, but raises OSError.
    """
    try:
        return importlib.import_module(name)
    except (ImportError, OSError):
        pytest.skip(reason, allow_module_level=True)
