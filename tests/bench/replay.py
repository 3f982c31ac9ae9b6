"""Measure the speed of the instrument and the share of each part: `make bench`.

Absolute times differ between machines, so all results are ratios: × real time, and shares of one run. The
flight is simulated with a 100 Hz IMU, 50 Hz barometer and 50 Hz pitot; the simulation is not measured.
With `--beside`, another installation (the compiled one) is measured in the same run and must write the
same files.
"""

from __future__ import annotations

import argparse
import hashlib
import importlib.util
import json
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import numpy as np
from filterpy.kalman import predict, update

import vario.flight.pipeline
from drivers.isa import G0_MPS2
from hw_replay.open import open_source
from hw_replay.simulate import long_flight, simulate
from hw_replay.source import RecordingInfo
from hw_replay.writer import RecordingWriter
from vario.app.outputs.summary import FlightSummary
from vario.app.outputs.trace import TraceWriter
from vario.app.replay.player import noise_of
from vario.app.replay.results import REPORT, SUMMARY, TONE, TRACE, Drawing, replay
from vario.app.replay.session import ReplaySession
from vario.flight.estimate.inertial_model import SIZE, InertialNoise, Regime, Wing
from vario.flight.estimate.inertial_start import start
from vario.flight.estimate.inertial_state import InertialState
from vario.flight.estimate.inertial_update import InertialUpdate
from vario.flight.inputs.frames import FRAME_S, Framer
from vario.settings.display import METRIC
from vario.settings.schema import Settings
from vario.sound.flac import FlacSink

SEED = 7


def main() -> None:
    """Measure a replay of one hour in its own process, compare it with ten minutes, measure the stages."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--minutes", type=float, default=60.0, help="duration of the long flight")
    parser.add_argument("--beside", type=Path, metavar="PYTHON", help="interpreter of another installation")
    parser.add_argument("--measure", type=Path, help=argparse.SUPPRESS)  # for the child processes
    parser.add_argument("--shares", type=Path, help=argparse.SUPPRESS)
    parser.add_argument("--outputs", type=Path, help=argparse.SUPPRESS)
    arguments = parser.parse_args()
    if arguments.measure:
        print(json.dumps(_measure_replay(arguments.measure)))
        return
    if arguments.shares:
        print(json.dumps(_measure_shares(arguments.shares)))
        return
    if arguments.outputs:
        print(json.dumps(_measure_outputs(arguments.outputs)))
        return
    pythons = [Path(sys.executable), *([arguments.beside] if arguments.beside else [])]
    with tempfile.TemporaryDirectory() as folder:
        long_s = arguments.minutes * 60
        short = _record(Path(folder) / "short.mcap", long_s / 6)
        long = _record(Path(folder) / "long.mcap", long_s)
        print(f"replay of {arguments.minutes:.0f} min, 100 Hz IMU, 50 Hz barometer and pitot")
        found = [
            (_in_child(python, "measure", short), _in_child(python, "measure", long)) for python in pythons
        ]
        for few, many in found:
            _print_replay(few, many)
        if any(many["files"] != found[0][1]["files"] for _, many in found):
            sys.exit("the two installations did not write the same files")
        if arguments.beside:
            print("both wrote the same files, byte for byte")
        _print_outputs([_in_child(python, "outputs", long) for python in pythons])
        _print_shares([_in_child(python, "shares", long) for python in pythons])
    print(f"one correction of the estimator: {_over_filterpy():.2f} × the same with filterpy")


def _print_replay(few: Mapping[str, Any], many: Mapping[str, Any]) -> None:
    print(f"  {many['kind']}, with all four files")
    print(f"    {many['flight_s'] / many['cpu_s']:.0f} × real time, one core")
    print(f"    {many['peak_mb']:.0f} MB at most ({few['peak_mb']:.0f} MB for a sixth of it)")
    print(f"    a frame at the end {many['last_over_first']:.2f} × one at the beginning (thirds)")


def _record(path: Path, duration_s: float) -> Path:
    scenario = long_flight(duration_s, SEED)
    with RecordingWriter(path, RecordingInfo("benchmark", "simulated")) as writer:
        for sample in simulate(scenario):
            writer.write(sample)
    return path


def _in_child(python: Path, what: str, path: Path) -> dict[str, Any]:
    """Run one replay in a process, because peak memory is that of a process.

    It runs in another folder, to use the installed package.
    """
    # The path of the interpreter must not be resolved: it would not find its environment.
    command = [str(python.absolute()), "-P", str(Path(__file__).absolute()), f"--{what}", str(path)]
    result: dict[str, Any] = json.loads(subprocess.check_output(command, cwd=path.parent))  # noqa: S603  (our own)
    return result


def _kind() -> str:
    return "interpreted" if str(vario.flight.pipeline.__file__).endswith(".py") else "compiled"


def _measure_replay(path: Path) -> dict[str, Any]:
    start_s = time.process_time()
    reached: list[tuple[float, float]] = []

    def progress(t_s: float) -> None:
        if not reached or t_s - reached[-1][0] >= 10.0:
            reached.append((t_s, time.process_time()))

    with tempfile.TemporaryDirectory() as out:
        summary = replay(open_source(path), Settings(), None, Path(out), progress)
        cpu_s = time.process_time() - start_s
        peak_kb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        digests = [_digest(Path(out) / name) for name in (TRACE, SUMMARY, TONE, REPORT)]
    third = len(reached) // 3
    first, last = (reached[k + third][1] - reached[k][1] for k in (0, len(reached) - 1 - third))
    return {
        "kind": _kind(),
        "last_over_first": last / first,
        "flight_s": summary["flight"]["duration_s"],
        "cpu_s": cpu_s,
        "peak_mb": peak_kb / 1024,
        "files": digests,
    }


def _digest(path: Path) -> str:
    with path.open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


class _Timed:
    """A stage whose `update` is timed; otherwise identical to the stage."""

    def __init__(self, stage: Any, name: str, spent: dict[str, float]) -> None:
        self._stage = stage
        self.update = _timed(stage.update, name, spent)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stage, name)


def _pipeline_from_source() -> Any:
    """The pipeline class, interpreted even if the rest is compiled, so that its stages can be replaced."""
    source = Path(str(vario.flight.pipeline.__file__)).with_name("pipeline.py")
    spec = importlib.util.spec_from_file_location("pipeline_from_source", source)
    assert spec is not None
    assert spec.loader is not None
    module = sys.modules[spec.name] = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module.Pipeline


def _measure_shares(path: Path) -> dict[str, Any]:
    """Time per frame in µs of each part: reading, framing, every stage of the pipeline, sound."""
    source = open_source(path)
    spent: dict[str, float] = {}
    start = time.thread_time()
    samples = list(source)
    spent["read"] = time.thread_time() - start
    framer = Framer()
    start = time.thread_time()
    frames = [frame for sample in samples for frame in framer.push(sample)]
    spent["frame"] = time.thread_time() - start
    pipeline = _pipeline_from_source()(Settings(), None, noise_of(Settings(), source.info))
    for name, stage in vars(pipeline).items():
        if callable(getattr(stage, "update", None)):
            setattr(pipeline, name, _Timed(stage, name.strip("_"), spent))
    start = time.thread_time()
    readings = [pipeline.step(frame) for frame in frames]
    whole = time.thread_time() - start
    inside = sum(seconds for name, seconds in spent.items() if name not in ("read", "frame"))
    spent["step itself, interpreted"] = whole - inside
    start = time.thread_time()
    with FlacSink(path.with_suffix(".flac")) as sound:
        for reading in readings:
            sound.play(reading.tone, FRAME_S)
    spent["sound"] = time.thread_time() - start
    return {"kind": _kind(), "us": {name: seconds / len(frames) * 1e6 for name, seconds in spent.items()}}


def _measure_outputs(path: Path) -> dict[str, Any]:
    """Seconds to play the flight and to write each of its files, and the size of each file in bytes."""
    out, settings = path.parent, Settings()
    session = ReplaySession(open_source(path), settings, None)
    summary, drawing = FlightSummary(METRIC), Drawing(settings.trace.rate_hz)
    start = time.thread_time()
    readings = list(session)
    result = session.summary()
    played = time.thread_time()
    for reading in readings:  # again, alone
        summary.take(reading)
    (out / SUMMARY).write_text(json.dumps(result, indent=2), encoding="utf-8")
    summed = time.thread_time()
    with TraceWriter(out / TRACE, settings.trace.rate_hz) as trace:
        values = [trace.take(reading) for reading in readings]
    traced = time.thread_time()
    with FlacSink(out / TONE) as sound:
        for reading in readings:
            sound.play(reading.tone, FRAME_S)
    heard = time.thread_time()
    for reading, row in zip(readings, values, strict=True):
        drawing.take(reading, row, session.climbs)
    drawing.write(out / REPORT, "benchmark", session.climbs, result)
    drawn = time.thread_time()
    seconds = {
        "the flight": played - start - (summed - played),
        SUMMARY: summed - played,
        TRACE: traced - summed,
        TONE: heard - traced,
        REPORT: drawn - heard,
    }
    sizes = {name: (out / name).stat().st_size for name in (SUMMARY, TRACE, TONE, REPORT)}
    return {"kind": _kind(), "s": seconds, "bytes": sizes, "flight_s": readings[-1].t_s}


def _print_outputs(found: list[dict[str, Any]]) -> None:
    print("share of a replay                  " + "".join(f"{one['kind']:>12}" for one in found))
    for name in found[0]["s"]:
        cells = "".join(f"{one['s'][name] / sum(one['s'].values()):12.1%}" for one in found)
        size = found[0]["bytes"].get(name)
        hourly = "" if size is None else f"{size / found[0]['flight_s'] * 0.0036:8.2f} MB an hour"
        print(f"  {name:14}{hourly:19}" + cells)


def _print_shares(found: list[dict[str, Any]]) -> None:
    print("µs a frame of 20 ms, by part  " + "".join(f"{one['kind']:>18}" for one in found))
    totals = [sum(one["us"].values()) for one in found]
    for name in sorted(found[0]["us"], key=lambda name: -found[0]["us"][name]):
        cells = (
            f"{one['us'][name]:10.1f} {one['us'][name] / total:6.1%}"
            for one, total in zip(found, totals, strict=True)
        )
        print(f"  {name:27}" + " ".join(cells))


def _over_filterpy() -> float:
    """CPU time of a prediction with four measurements, over that of filterpy for the same sizes."""
    times = 2000
    ours = InertialState(Wing.loaded(), InertialNoise())
    correction = InertialUpdate()
    start(ours, (0.0, 0.0, -G0_MPS2), 28.0, 1000.0)
    start_s = time.process_time()
    for _ in range(times):
        ours.propagate((0.0, 0.0, -G0_MPS2), (0.0, 0.0, 0.0), 0.04)
        ours.height(1000.0, 0.1)
        ours.airspeed(28.0, 0.1)
        correction.correct(ours, Regime.GLIDING, 0.9)
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
