"""The command `vario export`."""

from __future__ import annotations

import argparse
from functools import partial
from pathlib import Path
from typing import Any

from vario.app.config.in_force import add_set_option
from vario.app.files.paths import folder_for, inputs, refuse_overwrite
from vario.app.options import A_RECORDING, add_config_option

EXPORT_FILES = {
    "csv": "trace.csv",
    "parquet": "trace.parquet",
    "igc": "flight.igc",
    "nmea": "flight.nmea",
    "mcap": "outputs.mcap",
}

DESCRIPTION = (
    "Play a flight through the instrument and write the results: all columns of the trace as CSV or "
    "Parquet, an MCAP file for general viewers, a FAI/IGC file without signature, or NMEA 0183 sentences, "
    "to a file or to another device."
)


def add_parser(commands: Any) -> None:
    """Add the command to those of the program."""
    export = commands.add_parser(
        "export",
        help="write a flight for other tools: csv, parquet, mcap, igc, nmea",
        description=DESCRIPTION,
    )
    export.add_argument("file", type=Path, help=A_RECORDING)
    export.add_argument(
        "--as",
        dest="kind",
        choices=tuple(EXPORT_FILES),
        required=True,
        help="what to write (docs/formats.md)",
    )
    add_config_option(export)
    add_set_option(export)
    export.add_argument(
        "--start-utc",
        metavar="TIME",
        help=(
            "UTC at the beginning of a recording that does not contain it, such as 2026-05-01T10:00:00; "
            "pilot and glider are settings: --set declaration.pilot=NAME"
        ),
    )
    export.add_argument(
        "--out", type=Path, help="the file; default: out/<name of the file>/trace.…, flight.… or outputs.mcap"
    )
    export.add_argument(
        "--to",
        help=(
            "with --as nmea: send the sentences there at the speed of the flight instead of writing a "
            "file; tcp:127.0.0.1:10110 (to all clients), udp:192.168.1.20:10110 or "
            "serial:/dev/ttyUSB0@4800"
        ),
    )
    export.add_argument(
        "--speed", type=float, default=1.0, help=("with --to: factor relative to the speed of the flight")
    )
    export.set_defaults(command=run)


def run(arguments: argparse.Namespace) -> int:
    """Play the recording and write the requested file."""
    from vario.app.errors import AppError
    from vario.app.export.igc import header_of, write_igc
    from vario.app.export.sentences import play_nmea, write_nmea
    from vario.app.export.start import started
    from vario.app.export.tables import ParquetTrace, write_rows
    from vario.app.export.viewer import write_viewer_file
    from vario.app.files.atomic import result_file
    from vario.app.outputs.trace import TraceWriter
    from vario.app.replay.session import ReplaySession, opened
    from vario.app.terminal import labelled, progress_bar, terminal

    kind: str = arguments.kind
    if arguments.to is not None and (kind != "nmea" or arguments.out is not None):
        raise AppError("--to requires `--as nmea`, and replaces --out")
    source, loaded = opened(arguments.file, arguments.config, arguments.overrides)
    out: Path = arguments.out or folder_for(arguments.file) / EXPORT_FILES[kind]
    writes = ".mcap" if kind == "mcap" else ""
    refuse_overwrite(inputs(arguments.file, arguments.config, loaded), out, writes=writes)
    info, rate_hz = source.info, loaded.settings.trace.rate_hz
    if arguments.start_utc is not None:
        info = started(source, arguments.start_utc)
    if kind == "igc" and info.start_utc is None:
        why = info.doubts[-1] if info.doubts else "this recording has no start time"
        raise AppError(f"{why}, and a FAI/IGC file needs UTC: give it with --start-utc TIME")
    flown = partial(
        ReplaySession, source, loaded.settings, loaded.glider, follow_changes=arguments.config is None
    )
    if arguments.to is not None:
        play_nmea(flown(), info.start_utc, arguments.to, loaded.settings.nmea.rate_hz, arguments.speed)
        return 0
    with progress_bar(source.duration_s) as progress, result_file(out) as path:
        session = flown(progress=progress)
        if kind == "csv":
            write_rows(session, TraceWriter(path, rate_hz, info.start_utc))
        elif kind == "parquet":
            write_rows(session, ParquetTrace(path, rate_hz, info.start_utc))
        elif kind == "mcap":
            write_viewer_file(session, path, rate_hz, info.start_utc)
        elif kind == "igc" and info.start_utc is not None:
            header = header_of(info, loaded.settings.declaration, loaded.glider)
            write_igc(session, info.start_utc, header, path)
        else:
            write_nmea(session, info.start_utc, path, loaded.settings.nmea.rate_hz)
    console = terminal()
    for warning in session.summary()["warnings"]:
        console.print(labelled("note", warning), soft_wrap=True)
    console.print(f"written to {out}", soft_wrap=True)
    return 0
