"""Checks of knobs, recorded words and the live page, as far as the settings use them."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from importlib.util import find_spec
from typing import Any

from drivers.errors import SensorError
from drivers.knobs import lgpio_pins
from vario.app.check.findings import Finding, failed, passed, warned
from vario.app.cockpit.access import passphrase_in
from vario.app.cockpit.process import INSTALL, LIBRARY, NEEDED, opened_port
from vario.app.errors import AppError
from vario.app.live.controls import open_part
from vario.app.words.folder import words_of
from vario.settings.load import LoadedSettings
from vario.settings.output import parse_page_address
from vario.sound.errors import SoundError
from vario.sound.word_files import WORDS_HZ


def check_cockpit(loaded: LoadedSettings, pins: Callable[[], Any] = lgpio_pins) -> Iterator[Finding]:
    """Check what is switched on. The instrument must not run meanwhile, because it uses pins and port."""
    for name, part in loaded.settings.controls.parts.items():
        if part.is_fitted:
            yield _part(loaded, name, pins)
    language = loaded.settings.voice.language
    if language is not None:
        try:
            words_of(loaded, WORDS_HZ)
            yield passed("spoken values", f"all words are there, language {language}")
        except SoundError as error:
            yield failed("spoken values", str(error), "Make the words: vario words")
    if loaded.settings.page.address is not None:
        yield _page(loaded, loaded.settings.page.address)


def _part(loaded: LoadedSettings, name: str, pins: Callable[[], Any]) -> Finding:
    try:
        open_part(loaded.settings.controls, name, lambda _: None, pins).close()
    except SensorError as error:
        return failed(name, error.problem, error.advice)
    return passed(name, "can be opened; try each step and press while the instrument runs")


def _page(loaded: LoadedSettings, address: str) -> Finding:
    if find_spec(LIBRARY) is None:
        return failed("live page", NEEDED, INSTALL)
    named = parse_page_address(address)
    assert named is not None  # noqa: S101  (the settings have checked it)
    try:
        opened_port(named).close()
    except AppError as error:
        step = "Stop the instrument for this check; otherwise set an address of this computer under [page]"
        return failed("live page", str(error), step)
    kept = loaded.settings.page.passphrase_file
    if kept is not None:
        path = loaded.path(kept)
        try:
            passphrase_in(path)
        except (OSError, ValueError) as error:
            found = f"{path}: no passphrase: {getattr(error, 'strerror', None) or error}"
            return warned("live page", found, "Write one into this file; until then nothing can be changed")
    return passed("live page", f"http://{address} can be opened")
