"""Many recordings through the instrument: what is to do, what is done already, and the tables of it all."""

from __future__ import annotations

import hashlib
import json
import os
from collections import Counter
from collections.abc import Callable, Iterator, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from hw_replay.text import escaped, name_text
from vario.app.atomic import result_file
from vario.app.batch.job import Job, Outcome, Settled, fingerprint
from vario.app.batch.workers import Workers, WorkersStoppedError
from vario.app.errors import AppError, OutputError
from vario.settings.overrides import NOTHING, Overrides

RESULTS = "flights"
"""Folder of the results of single recordings, inside that of the batch."""

_ENDING = ".json"
_LONGEST_NAME = 255
"""Bytes of a name on the file systems of Linux (NAME_MAX)."""

ENDINGS = (".mcap", ".igc", ".csv", ".csv.gz")
"""What is taken for a recording; whether it is one, its content tells."""


@dataclass(frozen=True, slots=True)
class Batch:
    """What came of a batch.

    Attributes:
        outcomes: of every recording, in the order of their names.
        kept: how many were done before and have not changed.
        left: how many were not done, because the workers stopped.
        stopped: why they did; None if they did not.
    """

    outcomes: Sequence[Outcome]
    kept: int
    left: int = 0
    stopped: str | None = None

    @property
    def failures(self) -> list[Outcome]:
        """Those that failed."""
        return [outcome for outcome in self.outcomes if outcome.failure is not None]


def find_jobs(
    folder: Path, settings: Settled | None, out: Path | None = None, overrides: Overrides = NOTHING
) -> list[Job]:
    """Every recording in a folder and the folders in it, in the order of their names.

    What lies in `out` is left aside: the tables of an earlier run are no recordings.

    Raises:
        AppError: if there is none.
    """
    if not folder.is_dir():
        raise AppError(f"{folder}: expected a folder with recordings")
    results = out.resolve() if out is not None else None
    if results is not None and results in (folder.resolve(), *folder.resolve().parents):
        raise AppError(f"{out}: the recordings lie in it, and what --out names is left aside; name another")
    names = sorted(
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*")
        if path.name.lower().endswith(ENDINGS) and path.is_file() and results not in path.resolve().parents
    )
    if not names:
        raise AppError(f"{folder}: no recording in it; expected files ending in {', '.join(ENDINGS)}")
    told: Counter[str] = Counter()
    jobs = []
    for name in names:
        text = name_text(name)
        told[text] += 1
        # A name with bytes that are no UTF-8 may be told as another one already is.
        once = text if told[text] == 1 else f"{text} ({told[text]})"
        jobs.append(Job(str((folder / name).resolve()), once, settings, overrides))
    return jobs


def run_batch(
    jobs: Sequence[Job],
    out: Path,
    workers: Callable[[], Workers],
    progress: Callable[[Outcome | None, Job], None] = lambda _outcome, _job: None,
) -> Batch:
    """Do every job that has not been done already, keeping each result as soon as it is there.

    Args:
        jobs: what to do.
        out: folder for the results.
        workers: makes those who do the work; not called if nothing is left to do.
        progress: called with each job and its outcome; None: done before and unchanged.

    Returns:
        What came of it: also where the workers stopped before all was done.
    """
    outcomes: dict[str, Outcome] = {}
    todo: list[Job] = []
    for job in jobs:
        known = _kept(job, out)
        if known is None:
            todo.append(job)
        else:
            outcomes[job.name] = known
            progress(None, job)
    # The longest first, so that at the end no worker is busy alone with a long one.
    todo.sort(key=_size, reverse=True)
    by_name = {job.name: job for job in todo}
    stopped = None
    if todo:
        try:
            for found in workers().run(todo):
                outcome = _keep(found, out)
                outcomes[outcome.name] = outcome
                progress(outcome, by_name[outcome.name])
        except WorkersStoppedError as error:
            stopped = str(error)
    done = [outcomes[job.name] for job in jobs if job.name in outcomes]
    return Batch(done, len(jobs) - len(todo), len(jobs) - len(done), stopped)


def flight_rows(batch: Batch) -> Iterator[dict[str, Any]]:
    """The table of flights: one row for each that could be played. None: not known."""
    for outcome in batch.outcomes:
        found = outcome.summary
        if found is None:
            continue
        flight, climbs = found["flight"], found["climbs"]
        circling_s = sum(climb["end_s"] - climb["start_s"] for climb in climbs)
        gain_m = sum((climb["gain_m"] for climb in climbs), 0.0)
        yield {
            "file": outcome.name,
            "title": found["title"],
            "origin": found["origin"],
            "start_utc": found["start_utc"],
            "glider": found["glider"],
            "duration_s": flight["duration_s"],
            "takeoff_s": flight["takeoff_s"],
            "landing_s": flight["landing_s"],
            **{name: flight[name] for name in UTCS},
            "lowest_m": flight["lowest_m"],
            "highest_m": flight["highest_m"],
            **{f"{mode}_s": flight["mode_s"].get(mode, 0.0) for mode in MODES},
            "circling_share": flight["circling_share"],
            "climbs": len(climbs),
            "climb_gain_m": round(gain_m, 1),
            "climb_average_mps": round(gain_m / circling_s, 3) if circling_s else None,
            **{
                f"{name}_rms": (found["references"].get(f"truth_{name}") or {}).get("rms_difference")
                for name in TRUTHS
            },
            "rejected": found["rejected_by_reader"]
            + sum(sum(channel["rejected"].values()) for channel in found["samples"].values()),
            "warnings": len(found["warnings"]),
        }


def climb_rows(batch: Batch) -> Iterator[dict[str, Any]]:
    """The table of climbs, one row each."""
    for outcome in batch.outcomes:
        for number, climb in enumerate((outcome.summary or {"climbs": []})["climbs"], start=1):
            yield {"file": outcome.name, "climb": number, **climb}


def failure_rows(batch: Batch) -> Iterator[dict[str, Any]]:
    """The table of what could not be played, and why."""
    for outcome in batch.failures:
        yield {"file": outcome.name, "failure": outcome.failure}


UTCS = ("begin_utc", "takeoff_utc", "landing_utc")
MODES = ("ground", "launch", "cruise", "circling")
TRUTHS = ("vario_mps", "netto_mps", "tas_mps")

FLIGHT_COLUMNS = (
    *("file", "title", "origin", "start_utc", "glider", "duration_s", "takeoff_s", "landing_s"),
    *UTCS,
    *("lowest_m", "highest_m", *(f"{mode}_s" for mode in MODES), "circling_share"),
    *("climbs", "climb_gain_m", "climb_average_mps", *(f"{name}_rms" for name in TRUTHS)),
    *("rejected", "warnings"),
)
CLIMB_COLUMNS = ("file", "climb", "start_s", "end_s", "gain_m", "average_mps", "turns", "direction")
FAILURE_COLUMNS = ("file", "failure")


def _place(name: str, out: Path) -> Path:
    """Where the result of a recording is kept: under its name, shortened where the ending needs room."""
    parts = [_short(part, len(_ENDING)) for part in name.split("/")]
    return out.joinpath(RESULTS, *parts[:-1], parts[-1] + _ENDING)


def _short(part: str, room: int) -> str:
    coded = part.encode()
    if len(coded) <= _LONGEST_NAME - room:
        return part
    mark = hashlib.sha256(coded).hexdigest()[:16]
    return f"{coded[: _LONGEST_NAME - room - len(mark) - 1].decode(errors='ignore')}-{mark}"


def _kept(job: Job, out: Path) -> Outcome | None:
    """The outcome of an earlier run, if it worked and nothing it depends on has changed."""
    try:
        found = json.loads(_place(job.name, out).read_text(encoding="utf-8"))
        outcome = Outcome(**found)
        if outcome.failure is None and outcome.summary and outcome.fingerprint == fingerprint(job):
            return outcome
    except (OSError, ValueError, TypeError):
        pass  # not there, or broken off while being written: done again
    return None


def _keep(outcome: Outcome, out: Path) -> Outcome:
    """Keep an outcome for the next run; where that cannot be done, the outcome says so."""
    try:
        with result_file(_place(outcome.name, out)) as path:
            text = json.dumps(asdict(outcome), indent=1, ensure_ascii=False)
            path.write_text(f"{text}\n", encoding="utf-8")
    except (OutputError, ValueError) as error:
        told = outcome.failure or "played"
        return replace(outcome, failure=f"{told}; the result could not be kept: {escaped(str(error))}")
    return outcome


def _size(job: Job) -> int:
    try:
        return os.path.getsize(job.path)
    except OSError:
        return 0
