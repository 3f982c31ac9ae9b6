"""The command line. Libraries that take long to load are imported by the command that needs them."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

from hw_replay.errors import RecordingError
from vario.app import batch_command, compare_command, simulate_command
from vario.app.calibrate.command import add_parser as add_calibrate_parser
from vario.app.check.command import add_parser as add_check_parser
from vario.app.errors import AppError
from vario.app.export import command as export_command
from vario.app.live.command import add_parser as add_run_parser
from vario.app.page import command as page_command
from vario.app.service import add_parser as add_service_parser
from vario.app.tone_parser import add_parser as add_tone_parser
from vario.settings.errors import SettingsError
from vario.sound.errors import SoundError

if TYPE_CHECKING:
    from hw_replay.source import Source
    from vario.settings.load import LoadedSettings

FAILED = 2


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit code: 0, or 2 with one message on stderr."""
    arguments = _parser().parse_args(argv)
    command: Callable[[argparse.Namespace], int] = arguments.command
    try:
        return command(arguments)
    except (AppError, RecordingError, SettingsError, SoundError) as error:
        print(f"vario: {error}", file=sys.stderr)
        return FAILED
    except KeyboardInterrupt:
        print("vario: stopped", file=sys.stderr)
        return FAILED


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="vario",
        description="The brain of a sailplane variometer. Not certified, not a primary instrument.",
    )
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")

    for add in (add_run_parser, add_check_parser, add_calibrate_parser, add_service_parser):
        add(commands)

    replay = commands.add_parser("replay", help="play a recording through the instrument")
    replay.add_argument(
        "file", type=Path, help="a recording (MCAP), a long CSV (also gzipped) or an FAI/IGC file"
    )
    replay.add_argument(
        "--config", type=Path, help="settings file; default: the one inside the recording, if any"
    )
    replay.add_argument("--out", type=Path, help="folder for the results; default: out/<name of the file>")
    replay.add_argument("--marks", type=Path, help="folder with marks dropped during the flight")
    replay.set_defaults(command=_replay)

    imported = commands.add_parser("import", help="turn a long CSV or an FAI/IGC file into a recording")
    imported.add_argument("file", type=Path, help="the file to read")
    imported.add_argument(
        "--out", type=Path, help="the recording to write; default: <name of the file>.mcap here"
    )
    imported.add_argument(
        "--config", type=Path, help="settings file to keep in the recording, with its glider"
    )
    imported.set_defaults(command=_import)

    tune = commands.add_parser("tune", help="measure the sensors' noise from a recording")
    ways = tune.add_subparsers(title="ways", required=True, metavar="WAY")
    static = ways.add_parser("static", help="from a recording at rest: Allan deviation, noise figures")
    static.add_argument("file", type=Path, help="a recording (MCAP) or a long CSV, a minute or more at rest")
    static.add_argument("--out", type=Path, help="folder for the results; default: out/<name of the file>")
    static.set_defaults(command=_tune_static)
    flight = ways.add_parser("flight", help="from a flight: the noise that explains it best (takes minutes)")
    flight.add_argument("file", type=Path, help="a recording (MCAP) or a long CSV of a flight")
    flight.add_argument(
        "--config", type=Path, help="settings file; default: the one inside the recording, if any"
    )
    flight.add_argument("--out", type=Path, help="folder for the results; default: out/<name of the file>")
    flight.set_defaults(command=_tune_flight)

    change = commands.add_parser("set", help="change one setting in the file, in flight too")
    change.add_argument("key", help="maccready, ballast, bugs, mode, volume or goal")
    change.add_argument("value", help='such as "2 m/s" or "60 kg"; a goal is "50.12 10.34 420 m" or none')
    change.add_argument(
        "--config", type=Path, default=Path("vario.toml"), help="settings file; default: vario.toml here"
    )
    change.set_defaults(command=_set)

    mark = commands.add_parser("mark", help="mark this moment, or one in a recording, with a text")
    mark.add_argument("text")
    mark.add_argument(
        "--marks", type=Path, default=Path("marks"), help="folder to drop the mark into; default: marks here"
    )
    mark.add_argument("--into", type=Path, help="a finished recording to put the mark into, with --at")
    mark.add_argument("--at", type=float, help="seconds after the beginning of that recording")
    mark.set_defaults(command=_mark)

    page_command.add_parser(commands)
    export_command.add_parser(commands)
    add_tone_parser(commands)

    for bench in (batch_command, compare_command, simulate_command):
        bench.add_parser(commands)

    config = commands.add_parser("config", help="check or show a settings file")
    actions = config.add_subparsers(title="actions", required=True, metavar="ACTION")
    check = actions.add_parser("check", help="say everything that is wrong with a settings file")
    check.add_argument("file", type=Path)
    check.set_defaults(command=_config_check)
    show = actions.add_parser("show", help="show every setting in force")
    show.add_argument("file", type=Path, nargs="?", help="settings file; default: the defaults")
    show.set_defaults(command=_config_show)
    return parser


def _replay(arguments: argparse.Namespace) -> int:
    from hw_replay.open import open_source  # noqa: PLC0415
    from vario.app.console import print_replay, progress_bar  # noqa: PLC0415
    from vario.app.replay import replay  # noqa: PLC0415

    source = open_source(arguments.file)
    loaded = _settings_for(arguments.config, source.info.config_toml, source.info.glider_toml, arguments.file)
    out_dir = _out_dir(arguments)
    if arguments.marks is not None:
        source = _marked(source, arguments.marks, arguments.file)
    with progress_bar(source.duration_s) as progress:
        summary = replay(
            source,
            loaded.settings,
            loaded.glider,
            out_dir,
            progress,
            follow_changes=arguments.config is None,
        )
    print_replay(summary, out_dir)
    return 0


def _marked(source: Source, folder: Path, file: Path) -> Source:
    """The source with the marks dropped while it was recorded."""
    from vario.app.marks import Marked, dropped_marks  # noqa: PLC0415

    if source.info.start_utc is None:
        raise AppError(f"{file}: does not say when it was recorded, so no mark can be placed in it")
    return Marked(source, dropped_marks(folder, source.info.start_utc))


def _set(arguments: argparse.Namespace) -> int:
    from vario.app.set_command import set_setting  # noqa: PLC0415

    print(set_setting(arguments.key, arguments.value, arguments.config))
    return 0


def _mark(arguments: argparse.Namespace) -> int:
    from vario.app.marks import drop_mark, mark_recording  # noqa: PLC0415

    if (arguments.into is None) != (arguments.at is None):
        raise AppError("--into and --at belong together")
    if arguments.into is not None:
        mark_recording(arguments.into, arguments.text, arguments.at)
        print(f"marked {arguments.into} at {arguments.at:g} s")
    else:
        print(f"marked: {drop_mark(arguments.marks, arguments.text, datetime.now(UTC))}")
    return 0


def _out_dir(arguments: argparse.Namespace) -> Path:
    """The folder for results: as asked, else one named after the file."""
    chosen: Path | None = arguments.out
    return chosen or Path("out") / str(arguments.file.name).split(".")[0]


def _settings_for(
    config: Path | None, recorded_toml: str | None, glider_toml: str | None, recording: Path
) -> LoadedSettings:
    """What the user names wins over what the recording carries, and that over the defaults."""
    from vario.settings.load import load_settings, parse_settings  # noqa: PLC0415

    if config is not None:
        return load_settings(config)
    return parse_settings(
        recorded_toml or "", f"settings in {recording}", glider_toml, f"glider in {recording}"
    )


def _import(arguments: argparse.Namespace) -> int:
    from hw_replay.open import convert, open_source  # noqa: PLC0415
    from vario.app.console import print_import  # noqa: PLC0415
    from vario.settings.load import load_settings  # noqa: PLC0415

    source = open_source(arguments.file)
    out = arguments.out or Path(arguments.file.name.split(".")[0] + ".mcap")
    if out.exists() and out.samefile(arguments.file):
        raise AppError(f"{out}: this is the file to import; name another with --out")
    kept = load_settings(arguments.config) if arguments.config else None
    counts = convert(source, out, kept.settings_toml if kept else None, kept.glider_toml if kept else None)
    print_import(counts, source.warnings(), out)
    return 0


def _tune_static(arguments: argparse.Namespace) -> int:
    from hw_replay.open import open_source  # noqa: PLC0415
    from vario.app.tune_console import print_static  # noqa: PLC0415
    from vario.app.tune_picture import draw_static  # noqa: PLC0415
    from vario.app.tune_static import PICTURE, measure_static, write_static  # noqa: PLC0415

    out_dir = _out_dir(arguments)
    source = open_source(arguments.file)
    result = measure_static(source, arguments.file)
    kept = write_static(result, out_dir)
    draw_static(result, out_dir / PICTURE)
    print_static(result, source.warnings(), out_dir, kept)
    return 0


def _tune_flight(arguments: argparse.Namespace) -> int:
    from hw_replay.open import open_source  # noqa: PLC0415
    from vario.app.tune_console import print_flight, runs_bar  # noqa: PLC0415
    from vario.app.tune_flight import tune_flight, write_fit  # noqa: PLC0415

    source = open_source(arguments.file)
    loaded = _settings_for(arguments.config, source.info.config_toml, source.info.glider_toml, arguments.file)
    with runs_bar() as progress:
        found = tune_flight(source, arguments.file, loaded, progress)
    out_dir = _out_dir(arguments)
    kept = write_fit(found, out_dir)
    print_flight(found, source.warnings(), out_dir, kept)
    return 0


def _config_check(arguments: argparse.Namespace) -> int:
    from vario.settings.load import load_settings  # noqa: PLC0415

    load_settings(arguments.file)
    print(f"{arguments.file}: no problem found")
    return 0


def _config_show(arguments: argparse.Namespace) -> int:
    from vario.settings.document import show_settings  # noqa: PLC0415
    from vario.settings.load import load_settings, parse_settings  # noqa: PLC0415

    loaded = load_settings(arguments.file) if arguments.file else parse_settings("", "defaults")
    print(show_settings(loaded), end="")
    return 0


if __name__ == "__main__":
    sys.exit(main())
