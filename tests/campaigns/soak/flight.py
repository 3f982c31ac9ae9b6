"""A day of simulated flight through the pipeline; monitors memory, time per step, filters and all numbers."""

from __future__ import annotations

import gc
import sys
import time
import tracemalloc
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from drivers.samples import Sample
from hw_replay.simulate import long_flight, sensors_of, simulate
from hw_replay.source import RecordingInfo
from tests.campaigns.soak.covariances import CovarianceWatch, restarts
from tests.campaigns.soak.digest import Digest
from tests.support.processes import resident_kb
from vario.app.replay.player import noise_of
from vario.flight.inputs.frames import Framer
from vario.flight.pipeline import Pipeline
from vario.settings.load import load_settings

HOUR_S = 3600.0
LOOK_S = 60.0
SEED = 7
SETTINGS = Path(__file__).parents[3] / "config" / "demo.toml"

LONGEST_S = 24 * HOUR_S
"""The scenario is always that of a whole day, so that a short run is the beginning of the long one."""

MOST_GROWTH_KB = 4096
"""Permitted growth of the resident set from the first hour to the last. Allocators keep some free space; a
leak of one float per step would take 400 MB a day.
"""

MOST_TRACED_KB = 256
"""The same for the memory that Python itself has in use."""


@dataclass(frozen=True, slots=True)
class Hour:
    """One row of the table.

    Attributes:
        until_s: time of flight at the end of the row.
        speed: × real time, including the simulation.
        p50_us, p99_us: processor time of a step.
        rss_kb: resident set of the process at its end.
        blocks: of memory that the interpreter has given out.
        traced_kb: what the interpreter has in use; None if that was not traced.
        restarts: of filters, since the start.
        asymmetry, smallest: worst so far, of the estimator and the wind filter.
        digest: of all readings so far.
    """

    until_s: float
    speed: float
    p50_us: float
    p99_us: float
    rss_kb: int
    blocks: int
    traced_kb: float | None
    restarts: int
    asymmetry: tuple[float, float]
    smallest: tuple[float, float]
    digest: str


@dataclass(slots=True)
class Soak:
    """The findings of a run so far.

    Attributes:
        hours: one row each.
        digest: of all readings.
        watch: of the covariances.
    """

    hours: list[Hour] = field(default_factory=list)
    digest: Digest = field(default_factory=Digest)
    watch: CovarianceWatch = field(default_factory=CovarianceWatch)

    def problems(self) -> list[str]:
        """The faults, one sentence each; memory is judged from three hours on, time is not judged.

        Time is only printed, because other work on the machine affects it.
        """
        found = []
        if self.watch.failed:
            found.append(f"{self.watch.failed} covariances were not symmetric and positive definite")
        if self.digest.not_finite:
            found.append(f"{self.digest.not_finite} numbers in the readings were not finite")
        if not self.hours:
            return [*found, "nothing was flown"]
        first, last = self.hours[0], self.hours[-1]
        if len(self.hours) >= 3:
            if last.rss_kb - first.rss_kb > MOST_GROWTH_KB:
                found.append(f"the resident set grew by {last.rss_kb - first.rss_kb} kB since the first row")
            if first.traced_kb is not None and last.traced_kb is not None:
                grown_kb = last.traced_kb - first.traced_kb
                if grown_kb > MOST_TRACED_KB:
                    found.append(f"memory in use grew by {grown_kb:.0f} kB since the first row")
        return found


def soak(
    flown_s: float,
    row_s: float = HOUR_S,
    tell: Callable[[Hour], None] = lambda _: None,
    *,
    trace: bool = False,
) -> Soak:
    """Run a flight with the glider and the settings of the demo.

    Args:
        flown_s: duration, up to `LONGEST_S`.
        row_s: duration of a row of the table.
        tell: called with every row.
        trace: whether to trace memory, which takes about six times as long.
    """
    scenario = long_flight(LONGEST_S + 2.0, SEED)  # beyond the end of the last row
    loaded = load_settings(SETTINGS)
    info = RecordingInfo("soak", "simulated", sensors=sensors_of(scenario))
    pipeline = Pipeline(loaded.settings, loaded.glider, noise_of(loaded.settings, info))
    return _fly(simulate(scenario), pipeline, flown_s, row_s, tell, trace=trace)


def _fly(
    samples: Iterable[Sample],
    pipeline: Pipeline,
    flown_s: float,
    row_s: float,
    tell: Callable[[Hour], None],
    *,
    trace: bool,
) -> Soak:
    found = Soak()
    framer = Framer()
    steps_ns = np.zeros(round(row_s * 60.0), dtype=np.int64)  # 50 frames a second, and some room
    count, look_s, end_s = 0, LOOK_S, row_s
    clock, used_s = time.thread_time_ns, time.process_time()
    if trace:
        tracemalloc.start()
    for sample in samples:
        for frame in framer.push(sample):
            begun_ns = clock()
            reading = pipeline.step(frame)
            steps_ns[count] = clock() - begun_ns
            count += 1
            found.digest.add(reading)
            if reading.t_s >= look_s:
                look_s += LOOK_S
                pipeline.finished_climbs()  # the user of a pipeline collects them
                found.watch.look(pipeline)
            if reading.t_s >= end_s - 1e-6:
                now_s = time.process_time()
                row = _row(found, pipeline, steps_ns[:count], reading.t_s, row_s / (now_s - used_s))
                found.hours.append(row)
                tell(row)
                count, end_s, used_s = 0, end_s + row_s, time.process_time()
        if sample.t_s >= flown_s + 1.0:
            break
    if trace:
        tracemalloc.stop()
    return found


def _row(found: Soak, pipeline: Pipeline, steps_ns: np.ndarray, until_s: float, speed: float) -> Hour:
    gc.collect()
    p50, p99 = (np.percentile(steps_ns, [50.0, 99.0]) / 1000.0).tolist()
    worst = [found.watch.worst[name] for name in ("estimator", "wind")]
    return Hour(
        until_s,
        speed,
        p50,
        p99,
        resident_kb("self"),
        sys.getallocatedblocks(),
        tracemalloc.get_traced_memory()[0] / 1024.0 if tracemalloc.is_tracing() else None,
        restarts(pipeline),
        (worst[0].asymmetry, worst[1].asymmetry),
        (worst[0].smallest, worst[1].smallest),
        found.digest.text,
    )
