"""The short form of the siege: every attack that is quick and needs no special rights.

`make siege` runs all of them; see docs/siege.md.
"""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from hw_replay.text import encodable, escaped, one_line, shown
from tests.campaigns.siege import batch, disks, limits, names, outputs, recordings
from tests.campaigns.siege.attacks import GROUPS, LONG, attempt
from tests.campaigns.siege.report import INTRODUCTION
from tests.support.compiled import interpreted_only
from vario.settings.carried import EVERY_KEY, FLYING, flying_settings, flying_text
from vario.settings.keys import keys
from vario.settings.schema import Settings

PAGE = Path(__file__).parents[2] / "docs" / "siege.md"

SLOW = {
    batch.bad_neighbours,
    batch.result_cannot_be_kept,
    disks.full,
    disks.full_folders,
    limits.deep,
    limits.many_changes,
    limits.many_keys,
    limits.renamed_topics,
    limits.standing_time,
    names.long_name,
    names.odd_names,
    outputs.devices,
    outputs.kept,
    recordings.attached,
    recordings.bad_bytes,
    recordings.carried_outlets,
    recordings.escapes,
    recordings.formulae,
    recordings.formulas,
    recordings.impossible_figures,
    recordings.markup,
    recordings.surrogate_dropped,
    recordings.twice,
    recordings.years,
}
SHORT = [
    pytest.param(function, id=f"{group}: {attack}", marks=pytest.mark.long if function in SLOW else [])
    for group, attacks in GROUPS.items()
    for attack, _, function in attacks
    if function not in LONG and group != "The running instrument"
]

ACTING = {"audio", "controls", "page", "recorder"}
"""Sections that belong to the machine: files, sound, pins, addresses."""


@interpreted_only
@pytest.mark.parametrize("function", SHORT)
def test_an_attack_is_repelled(function: Callable[..., Any]) -> None:
    found = attempt(function)
    assert found.held, found.text


def test_the_page_has_every_attack() -> None:
    page = PAGE.read_text(encoding="utf-8")
    assert page.startswith(INTRODUCTION)
    for attacks in GROUPS.values():
        for attack, expectation, _ in attacks:
            assert f"| {attack} | {expectation} |".replace("<", "&lt;") in page


def test_every_section_flies_or_acts() -> None:
    """A new section must be added to one of the two lists."""
    sections = {path[0] for path in keys(Settings) if len(path) > 1}
    assert sections == FLYING.keys() | ACTING
    for name, taken in FLYING.items():
        inside = {path[1] for path in keys(Settings) if path[0] == name}
        assert taken is EVERY_KEY or taken < inside


def test_settings_that_only_fly_are_taken_letter_by_letter() -> None:
    text = '# mine\nglider = "quendel_2.toml"\n[vario]\ndamping = "2 s"  # as I like it\n'
    assert flying_text(text) == text
    assert flying_text("no TOML = ") == "no TOML = "


def test_what_acts_is_left_out_and_the_rest_is_the_same() -> None:
    text = (
        'glider = "/home/x/gliders/mine.toml"\n[vario]\ndamping = "2 s"\n'
        '[recorder]\nfolder = "/home/x"\n[nmea]\nto = "udp:192.0.2.1:10110"\nrate = "2 Hz"\n'
        '[gnss]\nport = "/dev/ttyS0"\nbaud = 9600\n[sensors.baro]\nchip = "MS5611"\noffset = "3 Pa"\n'
    )
    taken = tomllib.loads(flying_text(text))
    assert taken == flying_settings(tomllib.loads(text))
    flown = Settings.model_validate(taken)
    assert flown.recorder.folder is None
    assert flown.nmea.to is None
    assert flown.nmea.rate_hz == 2.0
    assert flown.gnss.port == "recorded"
    assert flown.gnss.baud == 9600
    assert flown.glider == "mine.toml"
    assert flown.vario.damping_s == 2.0
    assert flown.sensors.baro.offset_pa == 3.0


@pytest.mark.parametrize(
    ("text", "kept", "printed"),
    [
        ("Grüße, 5°", "Grüße, 5°", "Grüße, 5°"),
        ("a\tb\r\nc", "a b  c", "a\\tb\\r\nc"),
        ("\x1b[2J\x9b", "\ufffd[2J\ufffd", "\\x1b[2J\\x9b"),
        ("\udcff\ud800", "\ufffd\ufffd", "\\xff\\ud800"),
        ("\u202eabc", "\ufffdabc", "\\u202eabc"),
    ],
)
def test_text_from_outside(text: str, kept: str, printed: str) -> None:
    assert one_line(text) == kept
    assert shown(text) == printed
    assert shown(text).encode("utf-8").decode("utf-8") == printed
    assert escaped(text).isprintable()
    encodable(text).encode("utf-8")
