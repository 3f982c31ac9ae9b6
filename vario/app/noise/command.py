"""`vario noise static` and `vario noise flight`."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import Any

from vario.app.files.paths import folder_for, refuse_overwrite
from vario.app.options import A_RECORDING, add_config_option


def add_parser(commands: Any) -> None:
    """Add the command to the command line."""
    noise = commands.add_parser("noise", help="measure the noise of the sensors from a recording")
    methods = noise.add_subparsers(title="methods", required=True, metavar="METHOD")
    static = methods.add_parser("static", help="from a recording at rest: Allan deviation and noise figures")
    static.add_argument("file", type=Path, help=f"{A_RECORDING}; one minute or more at rest")
    static.add_argument("--out", type=Path, help="folder for the results; default: out/<name of the file>")
    static.set_defaults(command=_static)
    flight = methods.add_parser("flight", help="from a flight: most likely noise figures (takes minutes)")
    flight.add_argument("file", type=Path, help=f"{A_RECORDING}; of a flight")
    add_config_option(flight)
    flight.add_argument("--out", type=Path, help="folder for the results; default: out/<name of the file>")
    flight.set_defaults(command=_flight)


def _static(arguments: argparse.Namespace) -> int:
    from hw_replay.open import open_source
    from vario.app.files.atomic import result_file
    from vario.app.noise.console import print_static
    from vario.app.noise.picture import draw_static
    from vario.app.noise.static import measure_static
    from vario.app.noise.static_files import PICTURE, write_static

    out_dir = folder_for(arguments.file, arguments.out)
    source = open_source(arguments.file)
    refuse_overwrite([arguments.file], out_dir / PICTURE)
    result = measure_static(source, arguments.file)
    kept = write_static(result, out_dir)
    with result_file(out_dir / PICTURE) as path:
        draw_static(result, path)
    print_static(result, source.warnings(), out_dir, kept)
    return 0


def _flight(arguments: argparse.Namespace) -> int:
    from vario.app.noise.console import print_flight, runs_bar
    from vario.app.noise.flight import fit_noise, write_fit
    from vario.app.replay.session import opened

    source, loaded = opened(arguments.file, arguments.config)
    with runs_bar() as progress:
        found = fit_noise(source, arguments.file, loaded, progress)
    out_dir = folder_for(arguments.file, arguments.out)
    kept = write_fit(found, out_dir)
    print_flight(found, source.warnings(), out_dir, kept)
    return 0
