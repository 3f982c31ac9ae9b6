"""`vario replay` and `vario import`: process a recording, and convert other files to recordings."""

from __future__ import annotations

import argparse
import gc
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vario.app.config.in_force import add_set_option
from vario.app.errors import AppError
from vario.app.excerpt import add_excerpt_options, excerpt
from vario.app.files.paths import folder_for, inputs, refuse_overwrite, stem
from vario.app.options import A_RECORDING, add_config_option
from vario.app.words.command import add_words_option

if TYPE_CHECKING:
    from hw_replay.source import Source
    from vario.app.hindsight.hindsight import Hindsight


def add_parser(commands: Any) -> None:
    """Add the two commands to the command line."""
    replay = commands.add_parser("replay", help="play a recording through the instrument")
    replay.add_argument("file", type=Path, help=A_RECORDING)
    add_config_option(replay)
    add_set_option(replay)
    replay.add_argument("--out", type=Path, help="folder for the results; default: out/<name of the file>")
    replay.add_argument("--marks", type=Path, help="folder with marks set during the flight")
    replay.add_argument("--no-sound", dest="sound", action="store_false", help="write no tone.flac")
    add_words_option(replay)
    replay.add_argument("--no-picture", dest="picture", action="store_false", help="write no report.png")
    replay.add_argument(
        "--hindsight",
        action="store_true",
        help="smooth the flight afterwards, and report the difference of the live vario from the result",
    )
    add_excerpt_options(replay)
    replay.set_defaults(command=_replay)

    imported = commands.add_parser("import", help="convert a file of another format to a recording")
    imported.add_argument(
        "file",
        type=Path,
        help="the file to read; a recording, even a truncated one, is copied with an index",
    )
    imported.add_argument(
        "--out", type=Path, help="the recording to write; default: <name of the file>.mcap in this folder"
    )
    add_config_option(imported, "settings file to store in the recording, with its glider", "none")
    imported.add_argument(
        "--map",
        dest="csv_map",
        type=Path,
        help="map of a table (CSV) with other columns (docs/formats.md); default: <the file>.toml beside it",
    )
    imported.set_defaults(command=_import)


def _replay(arguments: argparse.Namespace) -> int:
    # The start creates many objects that stay; searching them for garbage took 0.2 s.
    gc.disable()
    try:
        return _play(arguments)
    finally:
        gc.unfreeze()
        gc.enable()


def _play(arguments: argparse.Namespace) -> int:
    from vario.app.replay.console import print_replay
    from vario.app.replay.results import REPORT, SUMMARY, TONE, TRACE, replay
    from vario.app.replay.session import opened
    from vario.app.terminal import progress_bar
    from vario.app.words.folder import words_or_note
    from vario.settings.display import DisplayUnits
    from vario.sound.word_files import WORDS_HZ

    source, loaded = opened(arguments.file, arguments.config, arguments.overrides)
    source = excerpt(source, arguments.from_time, arguments.to_time)
    out_dir = folder_for(arguments.file, arguments.out)
    refuse_overwrite(
        inputs(arguments.file, arguments.config, loaded),
        *(out_dir / name for name in (TRACE, SUMMARY, TONE, REPORT)),
    )
    if arguments.marks is not None:
        source = _marked(source, arguments.marks, arguments.file)
    words = words_or_note(loaded, arguments.words, WORDS_HZ) if arguments.sound else None
    gc.freeze()
    gc.enable()
    with progress_bar(source.duration_s) as progress:
        summary = replay(
            source,
            loaded.settings,
            loaded.glider,
            out_dir,
            progress,
            follow_changes=arguments.config is None,
            sound=arguments.sound,
            picture=arguments.picture,
            words=words,
            hindsight=_hindsight() if arguments.hindsight else None,
        )
    units = DisplayUnits(loaded.settings.display)
    print_replay(summary, out_dir, units, sound=arguments.sound, picture=arguments.picture)
    return 0


def _hindsight() -> Hindsight:
    from vario.app.hindsight.hindsight import Hindsight

    return Hindsight()


def _marked(source: Source, folder: Path, file: Path) -> Source:
    """The source with the marks that were set during its recording."""
    from vario.app.change.marked import Marked
    from vario.app.change.marks import dropped_marks, missing_marks

    if source.info.start_utc is None:
        raise AppError(f"{file}: has no start time, so no mark can be placed in it")
    return Marked(source, missing_marks(dropped_marks(folder, source.info.start_utc), source))


def _import(arguments: argparse.Namespace) -> int:
    from hw_replay.errors import UnusableRecording
    from hw_replay.open import convert, open_source
    from vario.app.replay.console import print_import
    from vario.settings.load import load_settings

    source = open_source(arguments.file, arguments.csv_map)
    out = arguments.out or Path(stem(arguments.file) + ".mcap")
    kept = load_settings(arguments.config) if arguments.config else None
    read = inputs(arguments.file, arguments.config, kept) if kept else [arguments.file]
    read += [arguments.csv_map] if arguments.csv_map else []
    refuse_overwrite(read, out, writes=".mcap")
    try:
        counts = convert(
            source, out, kept.settings_toml if kept else None, kept.glider_toml if kept else None
        )
    except UnusableRecording as error:
        raise AppError(f"{arguments.file}: {error}") from error
    print_import(counts, source.warnings(), out)
    return 0
