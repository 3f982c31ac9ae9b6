"""`vario batch`: replay a folder of recordings and write tables of the results.

Exit code: 0 all were replayed, 1 at least one failed, 2 the batch could not start or was stopped.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vario.app.config.in_force import add_set_option, overrides_of
from vario.app.files.paths import refuse_overwrite
from vario.app.options import A_RECORDING, add_config_option

if TYPE_CHECKING:
    from vario.app.batch.batch import Batch
    from vario.app.batch.job import Settled
    from vario.app.batch.workers import Workers
    from vario.settings.overrides import Overrides

DONE, SOME_FAILED, STOPPED = 0, 1, 2

DESCRIPTION = (
    "Replay every recording in a folder and its subfolders in parallel. The command writes a table of "
    "flights (a row for each recording, or for each flight of a recording that holds several), a table of "
    "climbs, a table of failures, and the summary of each recording under flights/. Tables and traces of "
    "earlier runs in the folder are recognised by their columns, left out and named. A second run replays "
    "only what is new or changed: a recording, the settings, or this program. Ctrl-C finishes the current "
    "flights; a second Ctrl-C stops at once. The tables contain all finished "
    "flights. Exit code: 0 all replayed, 1 at least one failed, 2 stopped."
)


def add_parser(commands: Any) -> None:
    """Register the command."""
    parser = commands.add_parser(
        "batch", help="replay a folder of recordings in parallel", description=DESCRIPTION
    )
    parser.add_argument("folder", type=Path, help="folder with files, each " + A_RECORDING)
    parser.add_argument(
        "--out", type=Path, default=Path("out/batch"), help="folder for results; default: out/batch"
    )
    add_config_option(parser, "settings file for all recordings", "the settings in each recording")
    add_set_option(parser)
    parser.add_argument(
        "--format", choices=("csv", "parquet"), default="csv", help="format of the tables; default: csv"
    )
    who = parser.add_mutually_exclusive_group()
    who.add_argument("--jobs", type=_count, help="number of processes; default: one per processor")
    who.add_argument(
        "--scheduler", metavar="ADDRESS", help="use a Dask cluster with this address, such as tcp://host:8786"
    )
    parser.set_defaults(command=run)


def _count(text: str) -> int:
    if not (text.isdecimal() and 1 <= int(text) <= 1024):
        raise argparse.ArgumentTypeError(f"{text!r}: expected a number of processes from 1 to 1024")
    return int(text)


def run(arguments: argparse.Namespace) -> int:
    """Do the batch."""
    from vario.app.batch.batch import (
        climb_rows,
        failure_rows,
        find_jobs,
        flight_rows,
        run_batch,
    )
    from vario.app.batch.console import batch_progress, print_batch
    from vario.app.batch.tables import TABLES, check_format, write_table
    from vario.app.errors import OutputError
    from vario.settings.overrides import NOTHING

    check_format(arguments.format)
    out: Path = arguments.out
    overrides = overrides_of(arguments.overrides)
    settings = _settings(arguments.config, overrides)
    left_out: list[str] = []
    jobs = find_jobs(arguments.folder, settings, out, NOTHING if settings else overrides, left_out.append)
    read = [Path(job.path) for job in jobs] + ([arguments.config] if arguments.config else [])
    refuse_overwrite(read, *(out / f"{name}.{arguments.format}" for name in TABLES))
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise OutputError(out, error) from error
    with batch_progress(jobs) as (step, say):
        batch: Batch = run_batch(jobs, out, _workers(arguments, say), step)
    tables = [
        write_table(list(rows), columns, out / name, arguments.format)
        for (name, columns), rows in zip(
            TABLES.items(), (flight_rows(batch), climb_rows(batch), failure_rows(batch)), strict=True
        )
    ]
    print_batch(batch, tables, left_out)
    if batch.stopped is not None:
        return STOPPED
    return SOME_FAILED if batch.failures else DONE


def _settings(config: Path | None, overrides: Overrides) -> Settled | None:
    """The settings for all recordings; None for the settings in each recording, then with the overrides.

    Raises:
        SettingsError: for an error that every recording would have.
    """
    from vario.app.batch.job import Settled
    from vario.settings.load import check_overrides, load_settings

    if config is None:
        check_overrides(overrides)
        return None
    loaded = load_settings(config, overrides)
    return Settled(
        loaded.settings_toml,
        loaded.settings_name,
        loaded.glider_toml,
        loaded.glider_name or "the glider file",
    )


def _workers(arguments: argparse.Namespace, say: Callable[[str], None]) -> Callable[[], Workers]:
    from vario.app.batch.workers import Cluster, Processes

    def workers() -> Workers:
        chosen: Workers = (
            Cluster(arguments.scheduler) if arguments.scheduler else Processes(arguments.jobs, say)
        )
        say(chosen.description)
        return chosen

    return workers
