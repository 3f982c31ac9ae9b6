"""Measure the live loop with fake chips: `python -m tests.bench.live`.

In real time: the share of one core, including recorder and fakes, and the sampling jitter of the inertial
sensor. Run this on an idle machine. Accelerated: whether memory grows over an hour.
"""

from __future__ import annotations

import argparse
import gc
import sys
import tempfile
import time
from collections.abc import Iterator
from itertools import count
from pathlib import Path

import numpy as np
from rich.console import Console

from drivers.fakes import FakeReceiver, World
from drivers.samples import ImuAccel, Sample
from hw_replay.recording import Recording
from hw_replay.simulate import long_flight, simulate
from hw_replay.source import RecordingInfo
from vario.app.live.clock import FIRST_S, SteppedClock
from vario.app.live.emulation import FlownClock, wired, with_chips
from vario.app.live.fitting import build_sensors, described
from vario.app.live.instrument import Instrument
from vario.app.live.loop import LiveLoop
from vario.app.live.recorder import FlightFiles, Recorder
from vario.app.live.run import RunOptions, run
from vario.app.live.scheduler import Scheduler
from vario.settings.load import parse_settings
from vario.sound.sink import NullSink


def main() -> None:
    """Run the measurement and print the results."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seconds", type=float, default=60.0, help="duration in real time")
    parser.add_argument("--minutes", type=float, default=60.0, help="duration of the accelerated run")
    arguments = parser.parse_args()
    out = Console(highlight=False)
    if arguments.seconds:
        _real_time(arguments.seconds, out)
    if arguments.minutes:
        _memory(arguments.minutes * 60.0, out)


class _Flown:
    """A flight kept in memory, so that its simulation is not measured."""

    def __init__(self, duration_s: float) -> None:
        self.samples = list(simulate(long_flight(duration_s, seed=1)))
        self.info = RecordingInfo("benchmark", "simulated")
        self.duration_s = duration_s

    def __iter__(self) -> Iterator[Sample]:
        return iter(self.samples)

    def rejected(self) -> int:
        """None."""
        return 0

    def warnings(self) -> list[str]:
        """None."""
        return []


def _real_time(seconds: float, out: Console) -> None:
    flight = _Flown(seconds + 2.0)
    loaded = parse_settings("", "settings")
    gc.collect()
    with tempfile.TemporaryDirectory() as folder:
        begun_s, used_s = time.monotonic(), time.process_time()
        status = run(
            loaded,
            RunOptions(folder=Path(folder), silent=True, emulate=flight, longest_s=seconds),
            lambda _: None,
        )
        share = (time.process_time() - used_s) / (time.monotonic() - begun_s)
        (path,) = Path(folder).glob("*.mcap")
        times = np.array([sample.t_s for sample in Recording(path) if isinstance(sample, ImuAccel)])
    off_ms = np.abs(np.diff(times) - 0.01) * 1000.0
    out.print(f"{seconds:g} s in real time, 100 Hz inertial, 50 Hz barometer and pitot, GNSS, recorder on")
    out.print(f"  share of one core        {share:.1%}")
    out.print(
        f"  error of inertial period {np.percentile(off_ms, 50):.2f} ms median, "
        f"{np.percentile(off_ms, 99):.2f} ms at the 99th percentile, {off_ms.max():.1f} ms at most"
    )
    out.print(f"  overruns                 {sum(sensor.overruns for sensor in status.sensors)}")


def _memory(duration_s: float, out: Console) -> None:
    """Print the memory blocks in use after a sixth of the flight and at its end; no sound, no display."""
    found: list[tuple[float, int]] = []
    clock = SteppedClock()
    world = World()
    loaded = with_chips(parse_settings("", "settings"))
    flown = FlownClock(clock, world, simulate(long_flight(duration_s, seed=1)))
    fakes = wired(loaded.settings, world, flown)
    what = build_sensors(loaded.settings, fakes.__getitem__, lambda _: FakeReceiver(world, clock.now_s))
    marks = (duration_s * k / 6.0 for k in count(1))
    next_s = next(marks)

    def housekeeping(now_s: float) -> None:
        nonlocal next_s
        if now_s >= next_s:
            next_s = next(marks)
            while recorder.waiting:
                time.sleep(0.01)
            gc.collect()
            found.append((now_s, sys.getallocatedblocks()))

    with tempfile.TemporaryDirectory() as folder:
        recorder = Recorder(FlightFiles(Path(folder), sync_s=0.0))
        instrument = Instrument(loaded, described(what.sensors), NullSink(), recorder)
        loop = LiveLoop(
            Scheduler(what.sensors, flown), flown, instrument, utc=what.utc_at_zero, housekeeping=housekeeping
        )
        used_s = time.process_time()
        loop.run(FIRST_S + duration_s)
        used_s = time.process_time() - used_s
        recorder.close()
    out.print(f"{duration_s / 60:g} min accelerated: {duration_s / used_s:.0f} × real time")
    for t_s, blocks in found:
        out.print(f"  after {t_s / 60:5.1f} min  {blocks} blocks in use")


if __name__ == "__main__":
    main()
