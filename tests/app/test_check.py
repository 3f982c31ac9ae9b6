"""`vario check` on fake chips: correct parts pass, and each fault is reported with advice."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from drivers.fakes import FakeBus, FakeReceiver, World, fake
from drivers.samples import Baro
from hw_replay.source import RecordingInfo
from hw_replay.writer import RecordingWriter
from tests.support.fake_disk import FaultyDisk
from vario.app.check.command import add_parser, check, print_findings
from vario.app.check.findings import Finding, Verdict, exit_code, failed, first_step, passed, warned
from vario.app.check.setup import CALIBRATIONS, check_setup
from vario.app.check.system import check_card
from vario.app.check.wiring import section_of
from vario.app.cli import main
from vario.app.live.clock import SteppedClock
from vario.app.live.emulation import wired, with_chips
from vario.app.live.recorder import LEAST_FREE_BYTES
from vario.settings.edit import set_value
from vario.settings.load import parse_settings
from vario.settings.schema import Settings

FITTED = with_chips(parse_settings("", "settings")).settings_toml
"""Settings that name the usual chips."""


class Bench:
    """A complete instrument on a bench."""

    def __init__(self, text: str = FITTED) -> None:
        self.settings: Settings = parse_settings(text, "settings").settings
        self.clock = SteppedClock()
        self.world = World(static_pa=95_000.0, position=(50.0, 10.0, 545.0))
        self.bus: FakeBus = wired(self.settings, self.world, self.clock).get(1) or FakeBus(self.clock.now_s)
        self.receiver = FakeReceiver(self.world, self.clock.now_s)

    def check(self, seconds: float = 10.0) -> list[Finding]:
        return check(self.settings, lambda _: self.bus, lambda _: self.receiver, self.clock, seconds)

    def attach(self, chip: str, address: int) -> None:
        self.bus.attach(fake(chip, self.world, self.clock.now_s), address)


def about(findings: list[Finding], subject: str) -> Finding:
    found = [finding for finding in findings if subject in finding.subject and finding.verdict != "pass"]
    assert found, [finding.subject for finding in findings]
    return found[0]


def test_a_healthy_instrument_passes_and_says_so() -> None:
    findings = Bench().check()
    wrong = [finding for finding in findings if finding.verdict is not Verdict.PASS]
    assert [finding.subject for finding in wrong] == ["recorder"]  # no folder is set here
    assert exit_code(findings) == 0
    for chip in ("LSM6DSO", "MS5611", "MS4525DO", "TMP117", "INA219", "GNSS"):
        assert any(chip in finding.subject for finding in findings)
    # 95 000 Pa are 540 m (US Standard Atmosphere 1976, table of pressure against height).
    assert any("950.0 hPa, 540 m" in finding.found for finding in findings)


def test_a_large_zero_of_the_pitot_passes_once_it_is_set() -> None:
    """Total error band of an MS4525DO: 1 % of 2 psi, 138 Pa (datasheet, from memory)."""
    zero = Bench(set_value(FITTED, ("sensors", "pitot", "offset"), "100 Pa"))
    zero.world.impact_pa = 100.0
    assert [f.verdict for f in zero.check(5.0) if f.subject == "pitot"] == [Verdict.PASS]


def test_known_errors_of_the_inertial_sensor_pass_once_they_are_set() -> None:
    bench = Bench()
    bench.world.accel_mps2, bench.world.gyro_radps = (0.0, 0.0, -10.5), (0.25, 0.0, 0.0)
    subjects = ("accelerometer", "gyro")
    assert [f.verdict for f in bench.check(5.0) if f.subject in subjects] == [Verdict.WARN, Verdict.FAIL]
    text = set_value(FITTED, ("sensors", "imu", "accel_bias_z"), "-0.69 m/s2")
    bench.settings = parse_settings(
        set_value(text, ("sensors", "imu", "gyro_bias_x"), "14.3 deg/s"), "settings"
    ).settings
    assert [f.verdict for f in bench.check(5.0) if f.subject in subjects] == [Verdict.PASS] * 2


@pytest.mark.parametrize("seconds", ["0", "nan", "1e9"])
def test_a_reading_time_out_of_range_is_refused(seconds: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["check", "--fake", "--seconds", seconds]) == 2
    assert "expected 1 to 3600 s" in capsys.readouterr().err


def _upside_down(bench: Bench) -> None:
    bench.world.accel_mps2 = (0.0, 0.0, 9.81)


def _shaking(bench: Bench) -> None:
    bench.world.noise = 20.0


def _wrong_chip(bench: Bench) -> None:
    bench.bus.detach(0x48)
    bench.attach("INA219", 0x48)


def _other_address(bench: Bench) -> None:
    bench.bus.detach(0x77)
    bench.attach("MS5611", 0x76)


FAULTS: dict[str, tuple[Callable[[Bench], object], str, Verdict, str]] = {
    "not wired": (lambda b: b.bus.detach(0x28), "MS4525DO at 0x28", Verdict.FAIL, "supply and ground"),
    "another address": (_other_address, "MS5611 at 0x77", Verdict.FAIL, "address = 0x76"),
    "another chip": (_wrong_chip, "TMP117 at 0x48", Verdict.FAIL, 'chip = "INA219"'),
    "one more chip": (lambda b: b.attach("BMP390", 0x76), "0x76", Verdict.WARN, "[sensors.baro]"),
    "stuck bus": (
        lambda b: (setattr(b.bus, "stuck", True), setattr(b.bus, "recoverable", False)),
        "bus 1",
        Verdict.FAIL,
        "SDA and SCL",
    ),
    "frozen": (
        lambda b: setattr(b.bus._chips[0x77], "frozen", True),
        "MS5611 at fake",
        Verdict.FAIL,
        "supply",
    ),
    "shaking": (_shaking, "noise of imu_accel", Verdict.WARN, "Keep the sensor still"),
    "pitot offset": (lambda b: setattr(b.world, "impact_pa", 30.0), "pitot", Verdict.WARN, "pitot-offset"),
    "wind": (lambda b: setattr(b.world, "impact_pa", 200.0), "pitot", Verdict.FAIL, "cover the pitot"),
    "upside down": (_upside_down, "accelerometer", Verdict.WARN, "calibrate level"),
    "turning": (lambda b: setattr(b.world, "gyro_radps", (0.0, 0.0, 0.5)), "gyro", Verdict.FAIL, "still"),
    "no air": (lambda b: setattr(b.world, "static_pa", 40_000.0), "static pressure", Verdict.FAIL, "chip"),
    "blocked static": (lambda b: setattr(b.world, "static_pa", 85_000.0), "static", Verdict.WARN, "blocked"),
    "empty battery": (lambda b: setattr(b.world, "volt_v", 9.9), "supply", Verdict.WARN, "charge"),
    "no receiver": (lambda b: setattr(b.receiver, "plugged", False), "GNSS", Verdict.FAIL, "Plug it in"),
    "no sky": (lambda b: setattr(b.world, "position", None), "GNSS", Verdict.WARN, "open sky"),
}


@pytest.mark.parametrize(("spoil", "subject", "verdict", "step"), FAULTS.values(), ids=FAULTS)
def test_faults_are_found_and_the_next_step_is_named(
    spoil: Callable[[Bench], object], subject: str, verdict: Verdict, step: str
) -> None:
    bench = Bench()
    spoil(bench)
    findings = bench.check(5.0)
    found = about(findings, subject)
    assert found.verdict is verdict
    assert step in found.next_step
    assert exit_code(findings) == int(any(finding.verdict is Verdict.FAIL for finding in findings))
    assert all(finding.next_step for finding in findings if finding.verdict is not Verdict.PASS)


def test_without_settings_it_names_the_chips_it_finds() -> None:
    bench = Bench("")
    bench.attach("BMP390", 0x77)
    findings = bench.check()
    assert 'Set chip = "BMP390" under [sensors.baro]' in about(findings, "0x77").next_step
    assert exit_code(findings) == 1


def test_the_section_of_a_chip_is_the_one_its_settings_take_it_in() -> None:
    for chip in ("BMP390", "SDP33", "LSM6DSO", "TMP117", "INA219"):
        parse_settings(f'[{section_of(chip)}]\nchip = "{chip}"\n', "settings")


def test_the_card(tmp_path: Path) -> None:
    assert check_card(str(tmp_path / "flights"), FaultyDisk()).verdict in {Verdict.PASS, Verdict.WARN}
    assert check_card("/proc/vario").verdict is Verdict.FAIL
    assert check_card(None).verdict is Verdict.WARN
    assert list((tmp_path / "flights").iterdir()) == []


def test_the_hours_of_the_card_are_those_that_the_recorder_needs(tmp_path: Path) -> None:
    """A recording of one minute by the writer, with the noise of a barometer, fills what the check says."""
    rate_hz, seconds, noise = 50.0, 60, np.random.default_rng(1)
    with RecordingWriter(tmp_path / "one.mcap", RecordingInfo("one", "live"), 1.0) as writer:
        for number in range(int(rate_hz) * seconds):
            writer.write(Baro(number / rate_hz, 95_000.0 + float(noise.normal(0.0, 1.2))))
    hourly = (tmp_path / "one.mcap").stat().st_size / seconds * 3600.0
    disk = FaultyDisk()
    disk.room_bytes = int(LEAST_FREE_BYTES + 30.5 * hourly)
    if disk.free_bytes(tmp_path) < disk.room_bytes:
        pytest.skip("the disk of this machine has too little room")
    found = check_card(str(tmp_path), disk, rate_hz).found
    hours = float(found.split("enough for ")[1].split(" h ")[0])
    assert hours == pytest.approx(30.5, rel=0.2)


def test_a_full_card_fails_and_a_nearly_full_one_warns(tmp_path: Path) -> None:
    disk = FaultyDisk()
    disk.room_bytes = LEAST_FREE_BYTES - 1
    full = check_card(str(tmp_path), disk)
    assert full.verdict is Verdict.FAIL
    assert "no recording begins" in full.found
    disk.room_bytes = 200 << 20
    few = check_card(str(tmp_path), disk)
    assert few.verdict is Verdict.WARN
    assert "Copy old recordings" in full.next_step == few.next_step
    assert "with all sensors" in few.found  # none was heard


def test_the_steps_end_with_glider_and_calibrations_in_the_order_of_the_page() -> None:
    settings = Bench().settings
    glider, calibration = check_setup(settings)
    assert "no netto" in glider.found
    page = Path("docs/installation.md").read_text("utf-8")
    places = [page.index(f"`vario calibrate {method} ") for method in CALIBRATIONS]
    assert places == sorted(places)
    assert "six-position, gyro-scale, gyro-bias, level, pitot-offset, barometer" in calibration.found
    text = FITTED
    for section, key, value in (
        ("imu", "accel_bias_x", "0.1 m/s2"),
        ("imu", "gyro_scale_y", 1.01),
        ("imu", "gyro_bias_z", "0.1 deg/s"),
        ("imu", "mount_pitch", "3 deg"),
        ("pitot", "offset", "3 Pa"),
    ):
        text = set_value(text, ("sensors", section, key), value)
    glider, calibration = check_setup(Bench(text).settings)
    assert calibration.found == "the settings have no result of barometer"
    assert "vario calibrate barometer" in calibration.next_step
    done = Bench(set_value(text, ("sensors", "baro", "offset"), "40 Pa")).settings
    assert check_setup(done)[1].verdict is Verdict.PASS
    assert len(check_setup(Settings())) == 1  # no sensor, no calibration


def test_the_first_step_is_that_of_the_first_failure() -> None:
    good, doubt, bad = (
        passed("computer", "ok"),
        warned("sound", "played", "Listen"),
        failed("bus", "no", "Wire it"),
    )
    assert first_step([good, doubt, bad]) == (
        "1 of 3 fail, 1 to verify. Next: bus: Wire it. Then run the check again."
    )
    assert "Next: sound: Listen" in first_step([good, doubt])
    assert first_step([good]) == "0 of 1 fail, 0 to verify. Next: start the instrument."


def test_the_table_shows_every_finding(capsys: pytest.CaptureFixture[str]) -> None:
    findings = Bench().check(3.0)
    print_findings(findings)
    out = capsys.readouterr().out
    assert "[recorder]" in out
    assert "Next: recorder: Set folder" in out
    assert out.count("pass") >= sum(finding.verdict is Verdict.PASS for finding in findings)


def test_the_command_line_takes_it() -> None:
    parser = argparse.ArgumentParser()
    add_parser(parser.add_subparsers())
    arguments = parser.parse_args(["check", "--config", "my.toml", "--seconds", "3", "--silent"])
    assert arguments.seconds == 3.0
    assert arguments.silent


def test_a_builder_practises_without_an_instrument(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    parser = argparse.ArgumentParser()
    add_parser(parser.add_subparsers())
    arguments = parser.parse_args(
        ["check", "--fake", "--seconds", "3", "--config", str(tmp_path / "none.toml")]
    )
    assert arguments.command(arguments) == 0
    said = capsys.readouterr().out
    assert "not those of your instrument" in said
    assert "LSM6DSO" in said
    assert "Next: glider: Write a glider file" in said
