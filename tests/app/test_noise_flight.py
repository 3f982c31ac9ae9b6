"""`vario noise flight` on flights with added sensor noise, which is therefore known."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from drivers.isa import impact_of_tas_pa, pressure_pa, temperature_k
from drivers.samples import Baro, GnssVel, Pitot, Sample
from hw_replay.open import open_source
from hw_replay.source import GNSS_BARO, RecordingInfo
from tests.support.recording_samples import write
from tests.support.truth_flight import Sensors, fly
from tests.support.truth_gliders import GLIDERS
from vario.app.cli import main
from vario.app.noise.flight import FIGURES, SETTINGS, flight_frames, innovations
from vario.app.noise.likelihood import Parameters, consistency, log_likelihood
from vario.flight.inputs.frames import Framer
from vario.settings.load import load_settings
from vario.settings.schema import Settings


def record(path: Path, samples: Iterator[Sample]) -> Path:
    return write(path, samples, RecordingInfo("noise", "simulated"))


def wandering(seconds: float, baro_pa: float) -> Iterator[Sample]:
    """A barometer in randomly rising and sinking air, at 10 Hz: the climb changes by 0.6 m/s in a second."""
    rng, rate_hz = np.random.default_rng(6), 10.0
    height_m, climb_mps = 1500.0, 0.0
    for i in range(round(seconds * rate_hz)):
        climb_mps += (0.6 * rng.standard_normal() - 0.05 * climb_mps / math.sqrt(rate_hz)) / math.sqrt(
            rate_hz
        )
        height_m += climb_mps / rate_hz
        yield Baro(i / rate_hz, pressure_pa(height_m) + baro_pa * rng.standard_normal())


@pytest.mark.parametrize(
    ("seconds", "within"), [(120.0, 0.12), pytest.param(240.0, 0.08, marks=pytest.mark.long)]
)
def test_barometer_noise_put_in_comes_out(
    seconds: float, within: float, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = record(tmp_path / "wander.mcap", wandering(seconds, 6.0))
    out = tmp_path / "out"
    assert main(["noise", "flight", str(path), "--out", str(out)]) == 0
    # 2100 innovations, which are mainly noise, determine it to a few per cent; 900 to 1.5 times as much.
    assert load_settings(out / SETTINGS).settings.sensors.baro.noise_pa == pytest.approx(6.0, rel=within)
    figures = tomllib.loads((out / FIGURES).read_text())
    assert figures["before"]["baro_pa"] == 1.5
    assert figures["before"]["height"]["nis"] > 3.0
    after = figures["after"]["height"]
    assert after["nis"] == pytest.approx(1.0, abs=2 * after["nis_by_chance_within"])
    assert after["correlation"] == pytest.approx(0.0, abs=2 * after["correlation_by_chance_within"])
    written = (out / SETTINGS).read_text()
    assert "pitot" not in written
    assert "Caution: the height" not in written
    assert "barometer noise" in capsys.readouterr().out


@pytest.mark.parametrize(
    ("stated", "said"), [("0.67 Pa", "as noisy in flight as"), ("6 Pa", "probably wrong")]
)
def test_noise_stated_three_times_wrong_is_found_and_said(
    stated: str, said: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = record(tmp_path / "wander.mcap", wandering(100.0, 2.0))
    config = tmp_path / "vario.toml"
    config.write_text(f'[sensors.baro]\nnoise = "{stated}"\n')
    out = tmp_path / "out"
    assert main(["noise", "flight", str(path), "--config", str(config), "--out", str(out)]) == 0
    # The noise is smaller here against the motion, and less certain than in the test above.
    assert load_settings(out / SETTINGS).settings.sensors.baro.noise_pa == pytest.approx(2.0, rel=0.15)
    assert said in capsys.readouterr().out
    assert said in (out / SETTINGS).read_text()


@pytest.mark.long
def test_errors_that_are_no_noise_are_not_sold_as_noise(tmp_path: Path) -> None:
    """A barometer that is stuck for seconds: no noise parameter explains it, and the file says so."""

    def sticking() -> Iterator[Sample]:
        held = 0.0
        for sample in wandering(150.0, 1.0):
            assert isinstance(sample, Baro)
            held = sample.static_pa if round(sample.t_s * 10) % 20 == 0 else held
            yield Baro(sample.t_s, held)

    path = record(tmp_path / "stuck.mcap", sticking())
    assert main(["noise", "flight", str(path), "--out", str(tmp_path / "out")]) == 0
    assert "# Caution: " in (tmp_path / "out" / SETTINGS).read_text()


@pytest.mark.long
def test_in_a_whole_flight_the_true_noise_is_likeliest(truth_folder: Path) -> None:
    """A glider of the flight-dynamics library: too high and too low barometer noise both fit worse."""
    flight = fly("streets", "sgs126", 306, truth_folder, Sensors(baro_pa=2.4, pitot_pa=1.0))
    framer = Framer()
    frames = [
        frame for sample in flight.samples() for frame in framer.push(sample) if 60.0 < sample.t_s < 190.0
    ]

    def found(baro_pa: float) -> dict[str, list[object]]:
        gathered: dict[str, list[object]] = {}
        for step in innovations(frames, Settings(), GLIDERS["sgs126"], Parameters(baro_pa, 1.0)):
            for name, innovation in step.items():
                gathered.setdefault(name, []).append(innovation)
        return gathered

    runs = {baro_pa: found(baro_pa) for baro_pa in (1.5, 2.4, 3.8)}
    counts = {name: len(innovations_) for name, innovations_ in runs[2.4].items()}
    assert set(counts) == {"height", "airspeed"}
    likelihoods = {baro_pa: log_likelihood(run, counts) for baro_pa, run in runs.items()}
    assert max(likelihoods, key=likelihoods.__getitem__) == 2.4
    height = consistency(runs[2.4]["height"])
    assert height.nis == pytest.approx(1.0, abs=0.1)
    assert height.correlation == pytest.approx(0.0, abs=2 * height.correlation_spread)


def flying(seconds: float, airspeed_from_s: float) -> Iterator[Sample]:
    rng = np.random.default_rng(1)
    for i in range(round(seconds * 5)):
        t_s = i / 5
        speed = 25.0 if t_s > airspeed_from_s else 0.5
        yield Baro(t_s, pressure_pa(800.0) + rng.standard_normal())
        yield Pitot(t_s, impact_of_tas_pa(speed, pressure_pa(800.0), temperature_k(800.0)))


def test_launch_and_ground_are_left_out(tmp_path: Path) -> None:
    path = record(tmp_path / "day.mcap", flying(1200.0, 100.0))
    frames = flight_frames(open_source(path))
    assert frames[0].t_s == pytest.approx(280.0, abs=0.5)  # three minutes after the take-off
    assert frames[-1].t_s - frames[0].t_s == pytest.approx(300.0, abs=0.5)


def moving(seconds: float, takeoff_s: float, *, with_pitot: bool) -> Iterator[Sample]:
    """A pitot tube that reads 16 m/s at rest, as that of a real recorder did, and GNSS."""
    for i in range(round(seconds * 2)):
        t_s = i / 2
        flies = t_s > takeoff_s
        yield Baro(t_s, pressure_pa(800.0))
        if with_pitot:
            speed = 25.0 if flies else 16.0
            yield Pitot(t_s, impact_of_tas_pa(speed, pressure_pa(800.0), temperature_k(800.0)))
        yield GnssVel(t_s, 20.0 if flies else 0.0, 0.0, 0.0)


@pytest.mark.parametrize("with_pitot", [True, False])
def test_standing_is_no_flight_whatever_the_pitot_reads(with_pitot: bool, tmp_path: Path) -> None:
    path = record(tmp_path / "day.mcap", moving(1200.0, 400.0, with_pitot=with_pitot))
    frames = flight_frames(open_source(path))
    assert frames[0].t_s == pytest.approx(580.0, abs=1.1)


def test_heights_of_gnss_once_a_second_are_not_sold_as_a_barometer(tmp_path: Path) -> None:
    path = tmp_path / "day.mcap"
    info = RecordingInfo("day", "imported", sensors={"baro": GNSS_BARO})
    write(path, (s for s in moving(600.0, 10.0, with_pitot=False) if s.t_s % 1.0 == 0.0), info)
    assert main(["noise", "flight", str(path), "--out", str(tmp_path / "out")]) == 0
    written = (tmp_path / "out" / SETTINGS).read_text()
    assert "# Caution: there is no barometer in the recording" in written
    assert "# Caution: the heights are 1 s apart" in written


def test_too_little_flight_is_said(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = record(tmp_path / "hop.mcap", flying(300.0, 60.0))
    assert main(["noise", "flight", str(path), "--out", str(tmp_path / "out")]) == 2
    assert "found 60 s of flight; expected 90 s or more" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_a_barometer_that_is_lost_gives_no_noise(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    lost = (s for s in flying(600.0, 10.0) if isinstance(s, Pitot) or s.t_s < 225.0)
    assert main(["noise", "flight", str(record(tmp_path / "lost.mcap", lost)), "--out", str(tmp_path)]) == 2
    assert "23 readings of the barometer in the flight; expected 50 or more" in capsys.readouterr().err
