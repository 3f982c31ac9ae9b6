"""`vario check` of knobs, recorded words and live page."""

from __future__ import annotations

import os
import socket
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
