"""`vario compare`: two traces, two batches, two settings or one change of them, or a trace and the truth.

Exit code: 0 no difference beyond the tolerances, 1 a difference, 2 the two cannot be compared.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Sequence
from difflib import get_close_matches
from pathlib import Path
from typing import TYPE_CHECKING, Any

from vario.app.errors import AppError
from vario.app.files.atomic import result_file
from vario.app.files.paths import refuse_overwrite

if TYPE_CHECKING:
    from vario.app.compare.result import Comparison, Spread, Tolerances

SAME, DIFFERS = 0, 1
RESULT, PICTURE = "compare.json", "compare.png"

DESCRIPTION = (
    "Compare two sides, column by column. A side is a trace (a CSV file, or the folder of a replay), a "
    "settings file (.toml: the output of the instrument with it for --recording), or a recording (its "
    "references: simulated truth, or values of another instrument). With two recordings, which may be "
    "the same, the references of the first are compared with the output of the instrument for the "
    "second. With only one recording, or one settings file with --recording, the output is compared "
    "with that after the changes of --set. With --hindsight, the output for one recording is compared "
    "with the vario smoothed after the flight. Two folders of `vario batch` are compared flight by flight, "
    "by their tables of flights. Exit code: 0 equal, 1 different, 2 an error."
)


def add_parser(commands: Any) -> None:
    """Register the command."""
    parser = commands.add_parser(
        "compare", help="compare traces, batches, settings, or a trace and the truth", description=DESCRIPTION
    )
    parser.add_argument("a", metavar="A", type=Path, help="the first side: the old one, or the reference")
    parser.add_argument(
        "b",
        metavar="B",
        type=Path,
        nargs="?",
        help="the second side, the new one; absent: A with the changes of --set",
    )
    parser.add_argument(
        "--set",
        dest="set_b",
        action="append",
        default=[],
        metavar="KEY=VALUE",
        help='change one setting of B, such as tone.beep_rate_full="5 Hz"; may be repeated',
    )
    parser.add_argument(
        "--set-a", action="append", default=[], metavar="KEY=VALUE", help="the same for A; may be repeated"
    )
    parser.add_argument(
        "--hindsight",
        action="store_true",
        help="compare the vario of recording A, shown in flight, with that smoothed after the flight",
    )
    parser.add_argument("--recording", type=Path, help="the recording to replay with the settings")
    parser.add_argument(
        "--tolerance",
        action="append",
        default=[],
        metavar="COLUMN=VALUE",
        help="largest allowed difference of a row, in the unit of the column; may be repeated",
    )
    parser.add_argument(
        "--rms",
        action="append",
        default=[],
        metavar="COLUMN=VALUE",
        help="largest allowed RMS of the differences; may be repeated",
    )
    parser.add_argument(
        "--out", type=Path, default=Path("out/compare"), help="folder for results; default: out/compare"
    )
    parser.set_defaults(command=run)


def run(arguments: argparse.Namespace) -> int:
    """Compare, write the result and the picture, and print the differences."""
    from vario.app.compare.batches import compare_batches, is_batch
    from vario.app.compare.compare import compare_tables
    from vario.app.compare.console import print_comparison
    from vario.app.compare.picture import draw_comparison
    from vario.app.compare.result import Tolerances
    from vario.app.compare.tables import both_sides, hindsight_sides
    from vario.app.replay.results import TRACE

    tolerances = Tolerances(
        largest=_pairs("--tolerance", arguments.tolerance), rms=_pairs("--rms", arguments.rms)
    )
    if arguments.b is not None and is_batch(arguments.a) and is_batch(arguments.b):
        if arguments.hindsight or arguments.recording or arguments.set_a or arguments.set_b or arguments.rms:
            raise AppError("two batches are compared as they are: only --tolerance applies")
        return SAME if compare_batches(arguments.a, arguments.b, tolerances.largest) else DIFFERS
    out: Path = arguments.out
    path = out / RESULT
    read = [side for side in (arguments.a, arguments.b, arguments.recording) if side is not None]
    refuse_overwrite([*read, *(side / TRACE for side in read)], path, out / PICTURE)
    if arguments.hindsight:
        if arguments.b is not None or arguments.recording is not None or arguments.set_a:
            raise AppError("--hindsight takes one recording, and --set for its replay; nothing else")
        a, b = hindsight_sides(arguments.a, arguments.set_b)
    else:
        a, b = both_sides(arguments.a, arguments.b, arguments.recording, (arguments.set_a, arguments.set_b))
    comparison = compare_tables(a, b, tolerances)
    _all_there(comparison, tolerances)
    with result_file(path) as temporary:
        temporary.write_text(json.dumps(as_json(comparison), indent=2) + "\n", encoding="utf-8")
    with result_file(out / PICTURE) as temporary:
        draw_comparison(comparison, a, b, temporary)
    print_comparison(comparison, out / PICTURE, path)
    return SAME if comparison.same else DIFFERS


def as_json(comparison: Comparison) -> dict[str, Any]:
    """The comparison as the content of compare.json."""

    def spread(s: Spread | None) -> dict[str, Any] | None:
        return None if s is None else {"count": s.count, "mean": _short(s.mean), "rms": _short(s.rms)}

    return {
        "a": comparison.a,
        "b": comparison.b,
        "same": comparison.same,
        "judged": comparison.judged,
        "first_divergence": None
        if comparison.first is None
        else {"column": comparison.first.name, "t_s": comparison.first.first_s},
        "missing": list(comparison.missing),
        "added": list(comparison.added),
        "rows_on_one_side": len(comparison.unmatched_s),
        "uncovered_s": round(comparison.uncovered_s, 3),
        "columns": {
            c.name: {
                "differs": c.differs,
                "tolerance": c.tolerance,
                "rms_tolerance": c.rms_tolerance,
                "all": spread(c.all),
                "largest": _short(c.largest),
                "largest_s": c.largest_s,
                "beyond": c.beyond,
                "first_s": c.first_s,
                "only_a": c.only_a,
                "only_b": c.only_b,
                "modes": {mode: spread(s) for mode, s in c.modes.items()},
            }
            for c in comparison.columns
        },
        "climbs": [
            {
                "start_s": round(climb.start_s, 2),
                "end_s": round(climb.end_s, 2),
                "columns": {
                    name: {"mean_a": _short(mean.a), "mean_b": _short(mean.b), "rms": _short(mean.rms)}
                    for name, mean in climb.means.items()
                },
            }
            for climb in comparison.climbs
        ],
    }


def _short(value: float | None) -> float | None:
    return None if value is None else float(f"{value:.6g}")


def _pairs(option: str, texts: Sequence[str]) -> dict[str, float]:
    found = {}
    for text in texts:
        column, _, number = text.partition("=")
        try:
            value = float(number)
        except ValueError:
            value = -1.0
        if not (column and 0.0 <= value < float("inf")):
            raise AppError(f"{option} {text}: expected COLUMN=VALUE, such as vario_mps=0.05")
        found[column] = value
    return found


def _all_there(comparison: Comparison, tolerances: Tolerances) -> None:
    """Raise for a tolerance of a column that is not compared, because it would have no effect."""
    names = [column.name for column in comparison.columns]
    for column in (*tolerances.largest, *tolerances.rms):
        if column not in names:
            close = get_close_matches(column, names)
            hint = f"did you mean {' or '.join(close)}?" if close else f"they have {', '.join(names)}"
            raise AppError(f"{column}: no such column on both sides; {hint}")
