"""`vario check` of the computer, on folders with the files of the kernel of a Raspberry Pi."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import pytest

from drivers.bus import SmBus
from drivers.fakes import FakeBus
from vario.app.check.board import Board, check_board, read_board
from vario.app.check.findings import Verdict
from vario.app.check.wiring import check_wiring
from vario.settings.schema import Settings

FIRMWARE = "sys/devices/platform/soc/soc:firmware/get_throttled"


def put(root: Path, name: str, text: str) -> None:
    path = root / name
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text(text)


def pi(root: Path, model: str = "Raspberry Pi Zero 2 W Rev 1.0", bits: str = "0") -> Board:
    # The device tree ends a text with a zero byte (Devicetree Specification 0.4, 2.2.4, type <string>).
    put(root, "proc/device-tree/model", model + "\0")
    put(root, FIRMWARE, bits + "\n")
    put(root, "sys/class/thermal/thermal_zone0/temp", "48312\n")  # m°C (Linux, thermal/sysfs-api.rst)
    return read_board(root)


def test_a_pi_in_order_passes_with_its_name_and_temperature(tmp_path: Path) -> None:
    findings = check_board(pi(tmp_path), "/dev/serial0")
    assert {finding.verdict for finding in findings} == {Verdict.PASS}
    assert findings[0].found == "Raspberry Pi Zero 2 W Rev 1.0, 64-bit"
    assert any("48 °C" in finding.found for finding in findings)


@pytest.mark.parametrize(
    ("bits", "verdict", "text"),
    [
        # The example of the Raspberry Pi documentation of vcgencmd get_throttled: bits 16 and 18 are set,
        # under-voltage and throttling have occurred.
        ("50000", Verdict.WARN, "too low since the start"),
        ("50005", Verdict.FAIL, "too low now"),
        ("40000", Verdict.WARN, "slowed down"),
    ],
)
def test_the_firmware_s_warnings_are_passed_on(
    tmp_path: Path, bits: str, verdict: Verdict, text: str
) -> None:
    (supply,) = [one for one in check_board(pi(tmp_path, bits=bits)) if "supply" in one.subject]
    assert supply.verdict is verdict
    assert text in supply.found
    assert supply.next_step


def test_the_serial_port_of_a_pi_5_is_another_one(tmp_path: Path) -> None:
    board = pi(tmp_path, "Raspberry Pi 5 Model B Rev 1.0")
    (port,) = [one for one in check_board(board, "/dev/serial0") if one.subject == "serial port"]
    assert port.verdict is Verdict.WARN
    assert "/dev/ttyAMA0" in port.next_step
    assert not [one for one in check_board(board, "/dev/ttyAMA0") if one.subject == "serial port"]


def test_a_bus_without_a_chip_names_the_wires() -> None:
    (finding,) = check_wiring(Settings(), lambda _: FakeBus(lambda: 0.0, "i2c-1"))
    assert finding.verdict is Verdict.FAIL
    assert finding.found == "no chip answers"
    assert "SDA (pin 3)" in finding.next_step  # Raspberry Pi documentation, GPIO: pins of the 40-pin header


def test_a_bus_that_is_switched_off_names_the_command() -> None:
    (finding,) = check_wiring(Settings(), lambda _: SmBus(987))
    assert finding.verdict is Verdict.FAIL
    assert "raspi-config nonint do_i2c 0" in finding.next_step


def test_32_bit_fails_with_the_reason(tmp_path: Path) -> None:
    finding = check_board(replace(pi(tmp_path), pointer_bits=32))[0]
    assert finding.verdict is Verdict.FAIL
    assert "64-bit system" in finding.next_step


def test_a_computer_that_tells_nothing_is_no_failure(tmp_path: Path) -> None:
    put(tmp_path, FIRMWARE, "no number")
    findings = check_board(read_board(tmp_path), "/dev/serial0")
    assert [finding.verdict for finding in findings] == [Verdict.PASS]
    assert "no Raspberry Pi" in findings[0].found


@pytest.mark.parametrize(("alarm", "verdict"), [("1\n", Verdict.FAIL), ("0\n", Verdict.PASS)])
def test_without_the_bits_the_alarm_of_the_kernel_is_used(
    tmp_path: Path, alarm: str, verdict: Verdict
) -> None:
    # Linux, hwmon/raspberrypi-hwmon.rst: in0_lcrit_alarm, undervoltage alarm. The name of the device is from
    # the driver, raspberrypi-hwmon.c.
    put(tmp_path, "proc/device-tree/model", "Raspberry Pi 4 Model B Rev 1.5\0")
    put(tmp_path, "sys/class/hwmon/hwmon0/name", "cpu_thermal\n")
    put(tmp_path, "sys/class/hwmon/hwmon1/name", "rpi_volt\n")
    put(tmp_path, "sys/class/hwmon/hwmon1/in0_lcrit_alarm", alarm)
    (supply,) = [one for one in check_board(read_board(tmp_path)) if "supply" in one.subject]
    assert supply.verdict is verdict
    assert "since the start" not in supply.found  # the alarm is only of the present


def test_a_pi_that_tells_nothing_of_its_supply_is_not_passed(tmp_path: Path) -> None:
    put(tmp_path, "proc/device-tree/model", "Raspberry Pi 4 Model B Rev 1.5\0")
    (supply,) = [one for one in check_board(read_board(tmp_path)) if "supply" in one.subject]
    assert supply.verdict is Verdict.WARN
    assert "vcgencmd get_throttled" in supply.next_step
