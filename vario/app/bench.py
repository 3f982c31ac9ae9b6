"""How fast the instrument is, and where the time goes: `make bench`.

Absolute times differ from machine to machine, so everything is given as a ratio: × real time, and shares of
one run. The flight is simulated, 100 Hz IMU with 50 Hz barometer and pitot; making it is not measured.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
from filterpy.kalman import predict, update

from drivers.isa import G0_MPS2
from hw_replay.open import open_source
from hw_replay.simulate import long_flight, simulate
from hw_replay.source import RecordingInfo
from hw_replay.writer import RecordingWriter
from vario.app.player import noise_of
from vario.app.replay import replay
from vario.flight.estimate.inertial import InertialFilter
from vario.flight.estimate.inertial_model import SIZE, InertialNoise, Regime, Wing
from vario.flight.frames import FRAME_S, Framer
from vario.flight.pipeline import Pipeline
from vario.settings.schema import Settings
from vario.sound.wav import WavSink

SEED = 7


def main() -> None:
    """Measure a replay of one hour in a process of its own, against ten minutes, then each stage."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=60.0, help="length of the long flight")
    parser.add_argument("--measure", type=Path, help=argparse.SUPPRESS)  # the child process
    arguments = parser.parse_args()
    if arguments.measure:
        print(json.dumps(_measure_replay(arguments.measure)))
        return
    with tempfile.TemporaryDirectory() as folder:
        long_s = arguments.minutes * 60
        short = _record(Path(folder) / "short.mcap", long_s / 6)
        long = _record(Path(folder) / "long.mcap", long_s)
        few, many = _in_child(short), _in_child(long)
        minutes = many["flight_s"] / 60
        print(f"replay of {minutes:.0f} min, 100 Hz IMU, 50 Hz barometer and pitot")
        print(f"  with all four files   {many['flight_s'] / many['cpu_s']:6.0f} × real time, one core")
        print(
            f"  peak memory           {many['peak_mb']:6.0f} MB ({few['peak_mb']:.0f} MB for a sixth of it)"
        )
        print(f"  a frame at the end    {many['last_over_first']:6.2f} × one at the beginning (thirds)")
        _print_shares(long)
        print(f"one correction of the estimator: {_over_filterpy():.2f} × the same with filterpy")


def _record(path: Path, duration_s: float) -> Path:
    scenario = long_flight(duration_s, SEED)
    with RecordingWriter(path, RecordingInfo("benchmark", "simulated")) as writer:
        for sample in simulate(scenario):
            writer.write(sample)
    return path


def _in_child(path: Path) -> dict[str, Any]:
    """Peak memory is of a whole process, so each replay gets one."""
    command = [sys.executable, "-m", "vario.app.bench", "--measure", str(path)]
    result: dict[str, Any] = json.loads(subprocess.check_output(command))  # noqa: S603  (our own command)
    return result


def _measure_replay(path: Path) -> dict[str, float]:
    start_s = time.process_time()
    reached: list[tuple[float, float]] = []

    def progress(t_s: float) -> None:
        if not reached or t_s - reached[-1][0] >= 10.0:
            reached.append((t_s, time.process_time()))

    with tempfile.TemporaryDirectory() as out:
        summary = replay(open_source(path), Settings(), None, Path(out), progress)
    third = len(reached) // 3
    first, last = (reached[k + third][1] - reached[k][1] for k in (0, len(reached) - 1 - third))
    return {
        "last_over_first": last / first,
        "flight_s": summary["flight"]["duration_s"],
        "cpu_s": time.process_time() - start_s,
        "peak_mb": resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024,
    }


def _print_shares(path: Path) -> None:
    """Time of each part: read, frame, every stage of the pipeline, sound."""
    source = open_source(path)
    spent: dict[str, float] = {}
    start = time.thread_time()
    samples = list(source)
    spent["read"] = time.thread_time() - start
    framer = Framer()
    start = time.thread_time()
    frames = [frame for sample in samples for frame in framer.push(sample)]
    spent["frame"] = time.thread_time() - start
    pipeline = Pipeline(Settings(), None, noise_of(Settings(), source.info))
    for name, stage in vars(pipeline).items():
        if callable(getattr(stage, "update", None)):
            stage.update = _timed(stage.update, name.strip("_"), spent)
    start = time.thread_time()
    readings = [pipeline.step(frame) for frame in frames]
    whole = time.thread_time() - start
    inside = sum(seconds for name, seconds in spent.items() if name not in ("read", "frame"))
    spent["rest of the step"] = whole - inside
    start = time.thread_time()
    with WavSink(path.with_suffix(".wav")) as sound:
        for reading in readings:
            sound.play(reading.tone, FRAME_S)
    spent["sound"] = time.thread_time() - start
    total = sum(spent.values())
    print("share of the time by part (and µs a frame of 20 ms)")
    for name, seconds in sorted(spent.items(), key=lambda item: -item[1]):
        print(f"  {name:20} {seconds / total:5.1%}  {seconds / len(frames) * 1e6:7.1f}")


def _over_filterpy(times: int = 2000) -> float:
    """CPU time of a prediction with four measurements, over that of filterpy for the same sizes."""
    ours = InertialFilter(Wing.loaded(), InertialNoise())
    ours.start((0.0, 0.0, -G0_MPS2), 28.0, 1000.0)
    start_s = time.process_time()
    for _ in range(times):
        ours.propagate((0.0, 0.0, -G0_MPS2), (0.0, 0.0, 0.0), 0.04)
        ours.height(1000.0, 0.1)
        ours.airspeed(28.0, 0.1)
        ours.correct(Regime.GLIDING, 0.9)
    ours_s = time.process_time() - start_s
    x, p, f, q = np.zeros(SIZE), np.eye(SIZE), np.eye(SIZE), 1e-6 * np.eye(SIZE)
    rows = np.eye(SIZE)[[13, 3, 4, 5]]
    z, r = np.zeros(1), np.array([[0.1]])
    start_s = time.process_time()
    for _ in range(times):
        x, p = predict(x, p, F=f, Q=q)
        for row in rows:
            x, p = update(x, p, z, r, row[None, :])
    return ours_s / (time.process_time() - start_s)


def _timed(function: Callable[..., Any], name: str, spent: dict[str, float]) -> Callable[..., Any]:
    spent[name] = 0.0

    def call(*args: Any, **named: Any) -> Any:
        start = time.thread_time()
        result = function(*args, **named)
        spent[name] += time.thread_time() - start
        return result

    return call


if __name__ == "__main__":
    main()
