"""Replay many recordings: find the jobs, skip those that are done, and make the tables of the results."""

from __future__ import annotations

import hashlib
import json
import os
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any

from hw_replay.open import is_recognized
from hw_replay.text import escaped, name_text
from vario.app.batch.job import Job, JobResult, Settled, fingerprint
from vario.app.batch.workers import Workers, WorkersStoppedError
from vario.app.errors import AppError, OutputError
from vario.app.files.atomic import result_file
from vario.settings.overrides import NOTHING, Overrides

RESULTS = "flights"
"""Folder of the results of single recordings, inside the folder of the batch."""

_ENDING = ".json"
_LONGEST_NAME = 255
"""Largest length of a file name on Linux, in bytes (NAME_MAX)."""

_WITH_PACKED = (".csv", ".nmea", ".nma")
RECORDING_ENDINGS = (
    ".mcap",
    ".igc",
    ".ulg",
    ".bin",
    ".ubx",
    *_WITH_PACKED,
    *(f"{ending}.gz" for ending in _WITH_PACKED),
)
"""Endings of the files that are opened; their content decides whether they are recordings."""

GENERAL_ENDINGS = (".log", ".txt", ".log.gz", ".txt.gz")
"""Endings of many other files too: files with them are opened only if they are logs that are read here."""


@dataclass(frozen=True, slots=True)
class Batch:
    """The result of a batch.

    Attributes:
        outcomes: outcome of every recording, in the order of their names.
        kept: number of recordings that were done before and have not changed.
        left: number of recordings that were not done, because the workers stopped.
        stopped: the reason why the workers stopped; None if they did not.
    """

    outcomes: Sequence[JobResult]
    kept: int
    left: int = 0
    stopped: str | None = None

    @property
    def failures(self) -> list[JobResult]:
        """The outcomes that failed."""
        return [outcome for outcome in self.outcomes if outcome.failure is not None]


def find_jobs(
    folder: Path, settings: Settled | None, out: Path | None = None, overrides: Overrides = NOTHING
) -> list[Job]:
    """Jobs for every recording in a folder and its subfolders, in the order of their names.

    Files in `out` are ignored, because the tables of an earlier run are not recordings.

    Raises:
        AppError: if there is no recording.
    """
    if not folder.is_dir():
        raise AppError(f"{folder}: expected a folder with recordings")
    results = out.resolve() if out is not None else None
    if results is not None and results in (folder.resolve(), *folder.resolve().parents):
        raise AppError(f"{out}: the recordings are inside this folder; expected another folder for --out")
    names = sorted(
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*")
        if _may_be_a_recording(path) and results not in path.resolve().parents
    )
    if not names:
        raise AppError(
            f"{folder}: no recording in it; expected files ending in {', '.join(RECORDING_ENDINGS)}"
        )
    told: Counter[str] = Counter()
    jobs = []
    for name in names:
        text = name_text(name)
        told[text] += 1
        # Two names that are not UTF-8 can give the same text.
        once = text if told[text] == 1 else f"{text} ({told[text]})"
        jobs.append(Job(str((folder / name).resolve()), once, settings, overrides))
    return jobs


def _may_be_a_recording(path: Path) -> bool:
    name = path.name.lower()
    if not name.endswith((*RECORDING_ENDINGS, *GENERAL_ENDINGS)) or not path.is_file():
        return False
    return name.endswith(RECORDING_ENDINGS) or is_recognized(path)


def run_batch(
    jobs: Sequence[Job],
    out: Path,
    workers: Callable[[], Workers],
    progress: Callable[[JobResult | None, Job], None] = lambda _outcome, _job: None,
) -> Batch:
    """Run every job that is not done yet, and save each result as soon as it is available.

    Args:
        jobs: the jobs.
        out: folder for the results.
        workers: creates the workers; not called if there is nothing to do.
        progress: called with each outcome and its job; None for a job that was done before.

    Returns:
        The result, also if the workers stopped before all jobs were done.
    """
    outcomes: dict[str, JobResult] = {}
    todo: list[Job] = []
    for job in jobs:
        known = _kept(job, out)
        if known is None:
            todo.append(job)
        else:
            outcomes[job.name] = known
            progress(None, job)
    # The longest first, so that no long job runs alone at the end.
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
    """The table of flights: one row for each replayed recording, or for each of its flights. None: not known.

    If a recording holds several flights, each row covers its flight, from take-off to landing; otherwise it
    covers the whole recording.
    """
    for outcome in batch.outcomes:
        found = outcome.summary
        if found is None:
            continue
        whole = {**found["flight"], "references": found["references"], "hindsight": found["hindsight"]}
        for number, flight in enumerate(_several(found) or [whole], start=1):
            climbs = [climb for climb in found["climbs"] if _flight_of(climb, found) == number]
            circling_s = sum(climb["end_s"] - climb["start_s"] for climb in climbs)
            gain_m = sum((climb["gain_m"] for climb in climbs), 0.0)
            yield {
                "file": outcome.name,
                "flight": number,
                "flights": found["flight"]["flights"],
                "title": found["title"],
                "origin": found["origin"],
                "start_utc": flight["begin_utc"],
                "glider": found["glider"],
                "duration_s": flight["duration_s"],
                "takeoff_s": flight["takeoff_s"],
                "landing_s": flight["landing_s"],
                **{name: flight[name] for name in UTCS},
                "lowest_m": flight["lowest_m"],
                "highest_m": flight["highest_m"],
                **{f"{mode}_s": flight["mode_s"].get(mode, 0.0) for mode in FLIGHT_MODES},
                "circling_share": flight["circling_share"],
                "climbs": len(climbs),
                "climb_gain_m": round(gain_m, 1),
                "climb_average_mps": round(gain_m / circling_s, 3) if circling_s else None,
                **{
                    f"{name}_rms": (flight["references"].get(f"truth_{name}") or {}).get("rms_difference")
                    for name in TRUTHS
                },
                **{f"hindsight_{name}": (flight["hindsight"] or {}).get(name) for name in HINDSIGHT},
                "rejected": found["rejected_by_reader"]
                + sum(sum(channel["rejected"].values()) for channel in found["samples"].values()),
                "warnings": len(found["warnings"]),
            }


def _several(found: Mapping[str, Any]) -> list[dict[str, Any]]:
    """The flights of a recording that holds several, otherwise nothing."""
    return found["flights"] if len(found["flights"]) > 1 else []


def _flight_of(climb: Mapping[str, Any], found: Mapping[str, Any]) -> int | None:
    """Number of the flight of a climb; None for one in a hop that is too short for a flight."""
    flights = _several(found)
    if not flights:
        return 1
    inside = (n for n, one in enumerate(flights, 1) if one["begin_s"] <= climb["start_s"] <= one["end_s"])
    return next(inside, None)


def climb_rows(batch: Batch) -> Iterator[dict[str, Any]]:
    """The table of climbs, one row per climb."""
    for outcome in batch.outcomes:
        found = outcome.summary
        for number, climb in enumerate(found["climbs"] if found else (), start=1):
            yield {"file": outcome.name, "flight": _flight_of(climb, found or {}), "climb": number, **climb}


def failure_rows(batch: Batch) -> Iterator[dict[str, Any]]:
    """The table of recordings that could not be replayed, with the reasons."""
    for outcome in batch.failures:
        yield {"file": outcome.name, "failure": outcome.failure}


UTCS = ("takeoff_utc", "landing_utc")
"""Of the flight. `start_utc` is that of the first sample of the row, not that of `t_s` = 0, which may be
midnight."""

FLIGHT_MODES = ("ground", "launch", "cruise", "circling", "approach")
HINDSIGHT = ("rms_mps", "mean_mps", "lag_s")
TRUTHS = ("vario_mps", "netto_mps", "tas_mps")

FLIGHT_COLUMNS: dict[str, type] = {
    "file": str,
    "flight": int,
    "flights": int,
    **dict.fromkeys(("title", "origin", "start_utc", "glider"), str),
    **dict.fromkeys(("duration_s", "takeoff_s", "landing_s"), float),
    **dict.fromkeys(UTCS, str),
    **dict.fromkeys(("lowest_m", "highest_m"), float),
    **dict.fromkeys((*(f"{mode}_s" for mode in FLIGHT_MODES), "circling_share"), float),
    "climbs": int,
    **dict.fromkeys(("climb_gain_m", "climb_average_mps"), float),
    **dict.fromkeys((f"{name}_rms" for name in TRUTHS), float),
    **dict.fromkeys((f"hindsight_{name}" for name in HINDSIGHT), float),
    **dict.fromkeys(("rejected", "warnings"), int),
}
"""The columns of each table with their types."""

CLIMB_COLUMNS: dict[str, type] = {
    "file": str,
    "flight": int,
    "climb": int,
    **dict.fromkeys(("start_s", "end_s", "gain_m", "average_mps", "turns"), float),
    "direction": str,
}
FAILURE_COLUMNS: dict[str, type] = {"file": str, "failure": str}


def _place(name: str, out: Path) -> Path:
    """The path of the result of a recording: its name, shortened if the ending does not fit."""
    parts = [_short(part, len(_ENDING)) for part in name.split("/")]
    return out.joinpath(RESULTS, *parts[:-1], parts[-1] + _ENDING)


def _short(part: str, room: int) -> str:
    coded = part.encode()
    if len(coded) <= _LONGEST_NAME - room:
        return part
    mark = hashlib.sha256(coded).hexdigest()[:16]
    return f"{coded[: _LONGEST_NAME - room - len(mark) - 1].decode(errors='ignore')}-{mark}"


def _kept(job: Job, out: Path) -> JobResult | None:
    """The outcome of an earlier run, if it succeeded and its inputs have not changed; else None."""
    try:
        found = json.loads(_place(job.name, out).read_text(encoding="utf-8"))
        outcome = JobResult(**found)
        if outcome.failure is None and outcome.summary and outcome.fingerprint == fingerprint(job):
            return outcome
    except (OSError, ValueError, TypeError):
        pass  # missing or incomplete: the job is repeated
    return None


def _keep(outcome: JobResult, out: Path) -> JobResult:
    """Save an outcome for the next run; if this fails, the returned outcome contains the reason."""
    try:
        with result_file(_place(outcome.name, out)) as path:
            text = json.dumps(asdict(outcome), indent=1, ensure_ascii=False)
            path.write_text(f"{text}\n", encoding="utf-8")
    except (OutputError, ValueError) as error:
        told = outcome.failure or "played"
        return replace(outcome, failure=f"{told}; the result could not be saved: {escaped(str(error))}")
    return outcome


def _size(job: Job) -> int:
    try:
        return os.path.getsize(job.path)
    except OSError:
        return 0
