"""`vario words` and `vario ask`: make the recorded words, and ask a running instrument to say a value."""

from __future__ import annotations

import argparse
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from hw_replay.text import shown
from vario.app.options import add_config_option


def add_parser(commands: Any) -> None:
    """Add the two commands to the command line."""
    words = commands.add_parser("words", help="make the recorded words for spoken values, once")
    add_config_option(words, "settings file, which names language and folder", here=True)
    words.add_argument("--language", help="two letters, such as en or de; default: from the settings")
    words.set_defaults(command=_words)

    ask = commands.add_parser("ask", help="let the running instrument say a value")
    ask.add_argument("name", nargs="+", help="one or more of average, maccready, wind, goal, lost")
    add_config_option(ask, "settings file of the running instrument", here=True)
    ask.add_argument(
        "--marks",
        type=Path,
        help="folder for marks, as given to vario run; default: marks, beside the settings file",
    )
    ask.set_defaults(command=_ask)


def add_words_option(parser: argparse.ArgumentParser) -> None:
    """Add `--words` to a command that makes the sound of a recording."""
    parser.add_argument(
        "--words",
        type=Path,
        help="folder with recorded words, from `vario words`; default: that of the settings, or words",
    )


def _words(arguments: argparse.Namespace) -> int:
    from vario.app.errors import AppError
    from vario.app.words.folder import words_folder
    from vario.app.words.render import render
    from vario.settings.load import load_settings
    from vario.sound.word_files import language_table

    loaded = load_settings(arguments.config)
    language = arguments.language or loaded.settings.voice.language
    if language is None:
        raise AppError(f'{arguments.config}: names no language: under [voice] write language = "en"')
    folder = words_folder(loaded)
    count = render(language_table(language, folder), folder / language)
    print(shown(f"{count} words written to {folder / language}"))
    if loaded.settings.voice.language is None:
        print(f'to hear them, write under [voice]: language = "{language}"')
    return 0


def _ask(arguments: argparse.Namespace) -> int:
    from vario.app.change.marks import drop_request, marks_folder
    from vario.app.change.watched import is_watched
    from vario.app.errors import AppError
    from vario.settings.voice import SPOKEN

    unknown = [name for name in arguments.name if name not in SPOKEN]
    if unknown:
        raise AppError(f"{' '.join(unknown)}: cannot be said; expected {', '.join(SPOKEN)}")
    folder = arguments.marks or marks_folder(arguments.config)
    # Before the first mark or request there is no folder. An instrument that runs finds it at its next check.
    is_new = not folder.exists()
    if not is_new and not is_watched(folder):
        raise AppError(
            f"no running instrument reads {folder.absolute()}; name its settings file with --config, or its "
            "folder with --marks"
        )
    drop_request(folder, " ".join(arguments.name), datetime.now(UTC))
    print(f"asked for {', '.join(arguments.name)}")
    if is_new:
        print(shown(f"{folder.absolute()} is new: an instrument with these settings says it within a second"))
    return 0
