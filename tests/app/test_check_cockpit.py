"""`vario check` of knobs, recorded words and live page."""

from __future__ import annotations

import os
import socket
import subprocess
import sys
from pathlib import Path

from gpiozero.pins.mock import MockFactory

from drivers.errors import UnavailableError
from tests.support import missing
from tests.support.generated_words import write_bank
from tests.support.local_ports import HOST, free_port
from vario.app.check.cockpit import check_cockpit
from vario.settings.load import load_settings

PARTS = """
[controls.knob_1]
pin_a = 17
pin_b = 27
[controls.usb_knob]
device = "{device}"
"""


def found(folder: Path, text: str, pins: object = MockFactory) -> list[tuple[str, str, str]]:
    (folder / "vario.toml").write_text(text, encoding="utf-8")
    findings = check_cockpit(load_settings(folder / "vario.toml"), pins)  # type: ignore[arg-type]
    return [(one.verdict.value, one.subject, f"{one.found}. {one.next_step}") for one in findings]


def test_parts_that_are_off_are_not_checked(tmp_path: Path) -> None:
    assert found(tmp_path, "") == []


def test_knobs_are_opened_and_a_missing_one_is_told(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "knob")
    writer = os.open(tmp_path / "knob", os.O_RDWR | os.O_NONBLOCK)
    good = found(tmp_path, PARTS.format(device=tmp_path / "knob"))
    os.close(writer)
    assert [(verdict, name) for verdict, name, _ in good] == [("pass", "knob_1"), ("pass", "usb_knob")]

    def no_pins() -> None:
        raise UnavailableError("the GPIO pins cannot be opened", "the user must be in the group gpio")

    bad = found(tmp_path, PARTS.format(device="/dev/input/none"), no_pins)
    assert [verdict for verdict, _, _ in bad] == ["FAIL", "FAIL"]
    assert "the user must be in the group gpio" in bad[0][2]
    assert "No such file" in bad[1][2]


def test_the_words_must_be_there(tmp_path: Path) -> None:
    text = '[voice]\nlanguage = "en"\n'
    assert found(tmp_path, text)[0][:2] == ("FAIL", "spoken values")
    write_bank(tmp_path / "words")
    assert found(tmp_path, text)[0][0] == "pass"


def test_the_page_needs_its_port_and_a_passphrase(tmp_path: Path) -> None:
    missing.library("aiohttp")
    address = f"{HOST}:{free_port()}"
    text = f'[page]\naddress = "{address}"\n'
    with_passphrase = f'{text}passphrase_file = "passphrase"\n'
    assert found(tmp_path, text)[0][0] == "pass"
    assert found(tmp_path, with_passphrase)[0][0] == "warn"
    (tmp_path / "passphrase").write_text("short\n", encoding="utf-8")
    assert "at least 8 characters" in found(tmp_path, with_passphrase)[0][2]
    (tmp_path / "passphrase").write_text("correct horse\n", encoding="utf-8")
    assert found(tmp_path, with_passphrase)[0][0] == "pass"
    host, _, port = address.partition(":")
    with socket.create_server((host, int(port))):
        assert found(tmp_path, text)[0][0] == "FAIL"


def test_a_missing_extra_is_named_with_its_installation(tmp_path: Path) -> None:
    """In an interpreter in which the libraries cannot be found."""
    (tmp_path / "vario.toml").write_text(
        '[page]\naddress = "127.0.0.1:8080"\n[controls.button_1]\npin = 22\n', encoding="utf-8"
    )
    code = (
        "import sys; sys.modules.update({'aiohttp': None, 'lgpio': None}); import importlib.util as u\n"
        "found = u.find_spec; u.find_spec = lambda n: None if n == 'aiohttp' else found(n)\n"
        "from pathlib import Path\n"
        "from vario.app.check.cockpit import check_cockpit\n"
        "from vario.settings.load import load_settings\n"
        "for one in check_cockpit(load_settings(Path('vario.toml'))):\n"
        "    print(one.verdict.value, one.subject, one.found, one.next_step, sep='; ')\n"
    )
    done = subprocess.run(  # noqa: S603  (our own program)
        [sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    knobs, page = done.stdout.splitlines()
    assert knobs.startswith("FAIL; button_1; knobs on pins need the extra controls (")
    assert "sudo ./install.sh --extras controls; without install.sh: pip install" in knobs
    assert page.startswith("FAIL; live page; the page needs the extra page (aiohttp is missing); ")
    assert "sudo ./install.sh --extras page; without install.sh: pip install" in page
