"""`vario check` on fake chips: correct parts pass, and each fault is reported with advice."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

import pytest

from drivers.fakes import FakeBus, FakeReceiver, World, fake
from tests.support.fake_disk import FaultyDisk
from vario.app.check.command import add_parser, check, print_findings
from vario.app.check.findings import Finding, Verdict, exit_code
from vario.app.check.system import check_card
from vario.app.check.wiring import section_of
from vario.app.live.clock import SteppedClock
from vario.app.live.emulation import wired, with_chips
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


def test_the_table_shows_every_finding(capsys: pytest.CaptureFixture[str]) -> None:
    findings = Bench().check(3.0)
    print_findings(findings)
    out = capsys.readouterr().out
    assert "[recorder]" in out
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
