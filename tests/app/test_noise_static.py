"""`vario noise static` on recordings with added noise, which is therefore known, and on unsuitable ones.

The added noise is the reference. The written settings are read by the loader of the program, and the figures
by the TOML reader of the standard library.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from matplotlib.image import imread
from numpy.typing import NDArray

from hw_replay.open import open_source
from vario.app.cli import main
from vario.app.noise.static import measure_static
from vario.app.noise.static_files import FIGURES, PICTURE, SETTINGS
from vario.settings.load import load_settings

Floats = NDArray[np.float64]
RATE_HZ, SECONDS = 50, 120.0
BARO_PA, PITOT_PA, ACCEL_MPS2, GYRO_RADPS = 1.5, 0.8, 0.02, 0.002


def times() -> Floats:
    return np.arange(int(RATE_HZ * SECONDS)) / RATE_HZ


def rest(t_s: Floats) -> dict[str, Floats]:
    """Readings of a complete instrument on a table: values by channel, shape (n, fields)."""
    draw = np.random.default_rng(1)
    n = len(t_s)
    return {
        "baro": 95_000.0 + BARO_PA * draw.standard_normal((n, 1)),
        "pitot": 3.2 + PITOT_PA * draw.standard_normal((n, 1)),
        "imu_accel": np.array([0.3, -0.2, -9.8]) + ACCEL_MPS2 * draw.standard_normal((n, 3)),
        "imu_gyro": np.array([0.01, 0.0, -0.02]) + GYRO_RADPS * draw.standard_normal((n, 3)),
    }


def write(path: Path, t_s: Floats, channels: dict[str, Floats]) -> Path:
    rows = ["t_s,channel,v1,v2,v3"]
    for name, values in channels.items():
        for t, row in zip(t_s.tolist(), values.tolist(), strict=True):
            cells = [f"{v:.6f}" for v in row] + [""] * (3 - len(row))
            rows.append(f"{t:.6f},{name},{','.join(cells)}")
    path.write_text("\n".join(rows) + "\n")
    return path


def refused(path: Path) -> dict[str, str]:
    return measure_static(open_source(path), path).refused


def test_noise_put_in_comes_out(tmp_path: Path) -> None:
    path = write(tmp_path / "table.csv", times(), rest(times()))
    result = measure_static(open_source(path), path)
    put_in = {"baro": BARO_PA, "pitot": PITOT_PA, "imu_accel": ACCEL_MPS2, "imu_gyro": GYRO_RADPS}
    assert len(result.measured) == 8
    assert result.refused == {}
    for m in result.measured:
        sigma = put_in[m.sensor.channel]
        # 6000 readings determine their standard deviation to 0.9 %; the limit is four times that.
        assert m.figures.sample == pytest.approx(sigma, rel=0.04), m.name
        assert m.figures.white == pytest.approx(sigma / np.sqrt(RATE_HZ), rel=0.05), m.name
        assert m.rate_hz == pytest.approx(RATE_HZ, rel=1e-6)


@pytest.mark.long
def test_settings_written_are_settings_read(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = write(tmp_path / "table.csv", times(), rest(times()))
    out = tmp_path / "out"
    assert main(["noise", "static", str(path), "--out", str(out)]) == 0
    sensors = load_settings(out / SETTINGS).settings.sensors
    assert sensors.baro.noise_pa == pytest.approx(BARO_PA, rel=0.04)
    assert sensors.pitot.noise_pa == pytest.approx(PITOT_PA, rel=0.05)
    assert sensors.pitot.offset_pa == pytest.approx(3.2, abs=0.05)
    figures = tomllib.loads((out / FIGURES).read_text())
    assert figures["recording"]["file"] == "table.csv"
    assert figures["recording"]["duration_s"] == pytest.approx(SECONDS, abs=0.1)
    assert figures["measured"]["imu_gyro"]["z_radps"]["sample_noise"] == pytest.approx(GYRO_RADPS, rel=0.04)
    assert "date of recording unknown" in (out / SETTINGS).read_text()
    picture = imread(out / PICTURE)
    assert picture.shape[0] > 500
    assert picture.std() > 0.05  # the picture is not empty
    # US Standard Atmosphere 1976: 95 000 Pa is at 540.34 m, 284.64 K, so 287.05·284.64/(9.80665·95 000) m/Pa.
    said = re.search(r"barometer as height: ([0-9.]+) m per sample", capsys.readouterr().out)
    assert said is not None
    assert float(said[1]) == pytest.approx(BARO_PA * 0.08770, rel=0.04)


def test_a_smoothing_sensor_is_not_taken_for_a_quiet_one(tmp_path: Path) -> None:
    """Averaging in a sensor correlates neighbouring readings; a filter must not overestimate the accuracy of
    their mean.
    """
    t_s = times()
    raw = 1.5 * np.random.default_rng(4).standard_normal(len(t_s) + 7)
    smooth = np.convolve(raw, np.full(8, 1 / 8), mode="valid")
    path = write(tmp_path / "smooth.csv", t_s, {"baro": 95_000.0 + smooth[:, None]})
    (m,) = measure_static(open_source(path), path).measured
    # Averaging 8 readings does not change the density: for averages the noise is 1.5 Pa per sample.
    assert m.for_filter == pytest.approx(1.5, rel=0.15)
    assert m.figures.sample < 0.6


@pytest.mark.long
def test_a_former_file_is_kept(tmp_path: Path) -> None:
    path = write(tmp_path / "table.csv", times(), rest(times()))
    out = tmp_path / "out"
    out.mkdir()
    (out / SETTINGS).write_text("# mine\n")
    (out / f"{SETTINGS}.1").write_text("# older\n")
    assert main(["noise", "static", str(path), "--out", str(out)]) == 0
    assert (out / f"{SETTINGS}.1").read_text() == "# older\n"
    assert (out / f"{SETTINGS}.2").read_text() == "# mine\n"


@pytest.mark.parametrize(
    ("channel", "disturb", "said"),
    [
        ("baro", lambda t, v: v + np.where(t > 60, -36.0, 0.0)[:, None], "carried up"),
        ("baro", lambda t, v: v - 6.0 * t[:, None], "not at rest"),
        ("pitot", lambda t, v: v + 15.0 * np.abs(np.sin(t / 7))[:, None], "wind"),
        ("imu_accel", lambda t, v: v + np.stack([np.sin(t), 0 * t, 0 * t], 1), "tilted"),
        ("imu_accel", lambda _t, v: v * np.array([1.0, 1.0, 1.4]), "mean specific force 13.7"),
        ("imu_gyro", lambda t, v: v + np.where((t > 30) & (t < 33), 0.5, 0.0)[:, None], "turned"),
    ],
)
def test_a_moved_sensor_is_refused_and_the_others_are_not(
    tmp_path: Path, channel: str, disturb: Callable[[Floats, Floats], Floats], said: str
) -> None:
    channels = rest(times())
    channels[channel] = disturb(times(), channels[channel])
    reasons = refused(write(tmp_path / "moved.csv", times(), channels))
    assert list(reasons) == [channel]
    assert said in reasons[channel]


def test_weather_is_not_movement(tmp_path: Path) -> None:
    channels = rest(times())
    channels["baro"] += times()[:, None] * (-500.0 / 3600.0)  # 5 hPa an hour, a storm coming
    assert refused(write(tmp_path / "weather.csv", times(), channels)) == {}


def test_a_gap_is_cut_out(tmp_path: Path) -> None:
    t_s = times()
    t_s[2000:] += 30.0
    path = write(tmp_path / "gap.csv", t_s, rest(t_s))
    result = measure_static(open_source(path), path)
    for m in result.measured:
        assert m.duration_s == pytest.approx(4000 / RATE_HZ, abs=0.05)


def test_sensors_that_cannot_be_measured_are_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    short = write(tmp_path / "short.csv", times()[:500], {"baro": rest(times())["baro"][:500]})
    assert main(["noise", "static", str(short), "--out", str(tmp_path / "out")]) == 2
    said = capsys.readouterr().err
    assert "baro: too short: 10.0 s with 500 readings, expected at least 60 s" in said
    assert "pitot: not in the recording" in said
    assert not (tmp_path / "out").exists()


def test_an_irregular_rate_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    t_s = times() + np.random.default_rng(3).uniform(0, 0.015, len(times()))
    path = write(tmp_path / "jitter.csv", t_s, {"baro": rest(times())["baro"]})
    assert main(["noise", "static", str(path), "--out", str(tmp_path / "out")]) == 2
    assert "irregular rate" in capsys.readouterr().err


def test_a_hanging_sensor_is_refused(tmp_path: Path) -> None:
    channels = rest(times())
    channels["pitot"][:] = 3.0
    reasons = refused(write(tmp_path / "hung.csv", times(), channels))
    assert "different values; expected 3 or more" in reasons["pitot"]


def test_values_that_repeat_are_no_noise(tmp_path: Path) -> None:
    channels = rest(times())
    channels["baro"] = 95000.0 + (np.arange(times().size) % 4.0)[:, None]
    assert "repeats itself every" in refused(write(tmp_path / "made.csv", times(), channels))["baro"]
