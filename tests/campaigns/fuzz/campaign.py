"""A campaign: a number of cases for all targets, guided by their outcomes."""

from __future__ import annotations

import hashlib
import signal
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from random import Random
from types import FrameType

from tests.campaigns.fuzz.mutate import Mutator
from tests.campaigns.fuzz.reading import TYPED, outcome_of_error
from tests.campaigns.fuzz.targets import Target

SLOW_S = 2.0
"""Processor time that a case may take. The slowest cases take some 20 ms; this limit finds unbounded ones."""

STUCK_S = 60
"""A case is ended after this time."""

MOST_KEPT = 400
"""Cases of a target that are kept for further damage, besides the seeds."""

MOST_FINDINGS = 20


class StuckError(BaseException):
    """A case does not end. It is not an `Exception`, so that the code under test cannot catch it."""


@dataclass(frozen=True, slots=True)
class Finding:
    """A wrong outcome.

    Attributes:
        target: the name of the target.
        problem: the outcome.
        data: the damaged input.
    """

    target: str
    problem: str
    data: bytes

    @property
    def name(self) -> str:
        """A short name for a file."""
        return f"{self.target.replace(' ', '_')}-{hashlib.sha256(self.data).hexdigest()[:12]}"


@dataclass(slots=True)
class Tally:
    """The results of one target.

    Attributes:
        cases: number of cases.
        accepted: number of cases that gave data; the others gave a typed error.
        outcomes: different outcomes with their numbers.
        cpu_s: processor time.
        slowest_s: of one case.
        findings: what should not have come out.
    """

    cases: int = 0
    accepted: int = 0
    outcomes: Counter[str] = field(default_factory=Counter)
    cpu_s: float = 0.0
    slowest_s: float = 0.0
    findings: list[Finding] = field(default_factory=list)


def fuzz(target: Target, cases: int, seed: int) -> Tally:
    """Run a target on a number of damaged cases; the same seed gives the same cases.

    A case with a new outcome is kept and damaged further, because a case that reaches a new message is likely
    to be near another new one.
    """
    random = Random(f"{seed} {target.name}")  # noqa: S311  (not for secrets)
    mutator = Mutator(random, target.words)
    kept = list(target.seeds)
    tally = Tally()
    begun_s = time.thread_time()
    with _not_for_ever():
        for data in target.seeds:
            run_one(target, data, tally)
        while tally.cases < cases and len(tally.findings) < MOST_FINDINGS:
            # Half of the cases start from the seeds, because kept cases are mostly rejected early.
            start = random.choice(target.seeds if random.random() < 0.5 else kept)
            data = mutator.damaged(start, random.choice(kept))
            if target.repair is not None:
                data = target.repair(random, data)
            if run_one(target, data, tally):
                if len(kept) < len(target.seeds) + MOST_KEPT:
                    kept.append(data)
                else:
                    kept[len(target.seeds) + int(random.random() * MOST_KEPT)] = data
    tally.cpu_s = time.thread_time() - begun_s
    return tally


def run_one(target: Target, data: bytes, tally: Tally) -> bool:
    """Run one case; True if its outcome is new."""
    tally.cases += 1
    begun_s = time.thread_time()
    signal.setitimer(signal.ITIMER_VIRTUAL, STUCK_S)
    accepted = False
    try:
        outcome = target.run(data)
        accepted = True
    except TYPED as error:
        outcome = outcome_of_error(error)
    except (Exception, StuckError) as error:  # any other exception is a finding
        outcome = f"{type(error).__name__}: {error}"[:300]
        if outcome not in tally.outcomes:
            tally.findings.append(Finding(target.name, outcome, data))
    finally:
        signal.setitimer(signal.ITIMER_VIRTUAL, 0.0)
    tally.accepted += accepted
    used_s = time.thread_time() - begun_s
    if used_s > tally.slowest_s:
        tally.slowest_s = used_s
        if used_s > SLOW_S:
            tally.findings.append(Finding(target.name, f"took {used_s:.1f} s", data))
    new = outcome not in tally.outcomes
    tally.outcomes[outcome] += 1
    return new


@contextmanager
def _not_for_ever() -> Iterator[None]:
    def stuck(_: int, frame: FrameType | None) -> None:
        where = "" if frame is None else f" in {frame.f_code.co_qualname}"
        raise StuckError(f"still running after {STUCK_S} s{where}")

    before = signal.signal(signal.SIGVTALRM, stuck)
    try:
        yield
    finally:
        signal.signal(signal.SIGVTALRM, before)


def keep(findings: list[Finding], folder: Path) -> None:
    """Write the bytes of findings into files, to run again with `--again`."""
    folder.mkdir(parents=True, exist_ok=True)
    for finding in findings:
        (folder / finding.name).write_bytes(finding.data)
