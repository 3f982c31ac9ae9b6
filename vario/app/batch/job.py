"""One recording of a batch: the input and the output of a worker process, local or on a cluster.

Both are plain data, so that they can be sent between processes and machines.
"""

from __future__ import annotations

import hashlib
import traceback
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

from hw_replay.errors import RecordingError
from hw_replay.open import nothing_in, open_source
from hw_replay.source import RecordingInfo
from hw_replay.text import escaped
from vario.app.config.in_force import settings_in_force, with_overrides
from vario.app.hindsight.hindsight import Hindsight
from vario.app.replay.session import ReplaySession
from vario.settings.errors import SettingsError
from vario.settings.load import LoadedSettings, parse_settings
from vario.settings.overrides import NOTHING, Overrides

PACKAGES = ("drivers", "hw_replay", "vario")


@dataclass(frozen=True, slots=True)
class Settled:
    """Settings for a worker: the texts, and their names for messages."""

    settings_toml: str
    settings_name: str
    glider_toml: str | None
    glider_name: str


@dataclass(frozen=True, slots=True)
class Job:
    """One recording to analyse.

    Attributes:
        path: path of the recording; it must be the same for a worker.
        name: path relative to the folder of the batch.
        settings: settings; None: those in the recording.
        overrides: values that override the settings in the recording.
    """

    path: str
    name: str
    settings: Settled | None
    overrides: Overrides = NOTHING


@dataclass(frozen=True, slots=True)
class JobResult:
    """The outcome of a job: the summary of the flight, or the reason of the failure.

    Attributes:
        name: name of the recording.
        fingerprint: hash of everything that the result depends on.
        summary: as in summary.json; None after a failure.
        failure: the reason in one line; None after a success.
    """

    name: str
    fingerprint: str
    summary: dict[str, Any] | None
    failure: str | None


def run_job(job: Job) -> JobResult:
    """Replay one recording; an error becomes part of the outcome."""
    try:
        mark = fingerprint(job)
    except OSError as error:
        return JobResult(job.name, "", None, f"cannot be read: {error.strerror or error}")
    try:
        source = open_source(job.path)
        loaded = _loaded(job, source.info)
        source = with_overrides(source, job.overrides, loaded)
        session = ReplaySession(
            source,
            loaded.settings,
            loaded.glider,
            follow_changes=job.settings is None,
            hindsight=Hindsight(),
        )
        for _ in session:
            pass
        summary = session.summary()
        if not summary["flight"]["mode_s"]:
            return JobResult(job.name, mark, None, _one_line(nothing_in(source)))
    except (RecordingError, SettingsError) as error:
        return JobResult(job.name, mark, None, _one_line(str(error).removeprefix(f"{job.path}: ")))
    except Exception as error:  # an error of this program in one flight must not stop the others
        where = traceback.extract_tb(error.__traceback__)[-1]
        said = f"{type(error).__name__}: {error} ({Path(where.filename).name}, line {where.lineno})"
        return JobResult(job.name, mark, None, f"a fault of this program: {_one_line(said)}")
    return JobResult(job.name, mark, summary, None)


def _loaded(job: Job, info: RecordingInfo) -> LoadedSettings:
    settled = job.settings
    if settled is None:
        return settings_in_force(info, job.name, overrides=job.overrides)
    return parse_settings(
        settled.settings_toml, settled.settings_name, settled.glider_toml, settled.glider_name
    )


def fingerprint(job: Job) -> str:
    """Hash of the recording, the settings and this program: the same hash means the same result.

    Raises:
        OSError: if the recording cannot be read.
    """
    digest = hashlib.sha256(program_fingerprint().encode())
    digest.update(repr((job.settings, job.overrides)).encode())
    with open(job.path, "rb") as file:
        digest.update(hashlib.file_digest(file, "sha256").digest())
    return digest.hexdigest()


@cache
def program_fingerprint() -> str:
    """Hash of the source text of this project, so that a changed line makes old results invalid."""
    digest = hashlib.sha256()
    root = Path(__file__).parents[2]
    for package in PACKAGES:
        for path in sorted((root / package).rglob("*.py")):
            digest.update(str(path.relative_to(root)).encode())
            digest.update(path.read_bytes())
    return digest.hexdigest()


def _one_line(text: str) -> str:
    return "; ".join(escaped(line.strip()) for line in text.splitlines() if line).replace(":; ", ": ")
