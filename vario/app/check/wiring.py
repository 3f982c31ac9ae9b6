"""Compare the chips on the buses with the settings."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence

from drivers.bus import Bus
from drivers.errors import SensorError
from drivers.registry import CHIPS, Found, scan
from vario.app.check.findings import Finding, failed, passed, warned
from vario.settings.hardware import BusSensor
from vario.settings.keys import sections
from vario.settings.schema import Settings

USUAL_BUS = 1

NOTHING_ANSWERS = (
    "Check 3.3 V and ground at each module, and that SDA (pin 3) and SCL (pin 5) are not swapped"
)


def check_wiring(settings: Settings, buses: Callable[[int], Bus]) -> list[Finding]:
    """Scan every bus in the settings (or the usual one) and compare the chips found."""
    wanted = settings.sensors.on_buses
    found: list[Finding] = []
    for number in sorted({sensor.bus for sensor in wanted} or {USUAL_BUS}):
        try:
            there = scan(buses(number))
        except SensorError as error:
            found.append(failed(f"bus {number}", error.problem, error.advice))
            continue
        if not there and not wanted:
            found.append(failed(f"bus {number}", "no chip answers", NOTHING_ANSWERS))
        found += _compare(number, there, [sensor for sensor in wanted if sensor.bus == number])
    return found


def _compare(number: int, there: Sequence[Found], wanted: Sequence[BusSensor]) -> list[Finding]:
    by_address = {found.address: found for found in there}
    findings = []
    claimed = set()
    for sensor in wanted:
        assert sensor.chip is not None  # noqa: S101  (on_buses gives only sensors with a chip)
        address = CHIPS[sensor.chip].addresses[0] if sensor.address is None else sensor.address
        claimed.add(address)
        findings.append(_one(number, sensor.chip, address, by_address))
    for address, found in by_address.items():
        if address not in claimed:
            findings.append(_unclaimed(number, found))
    return findings


def _one(number: int, chip: str, address: int, there: Mapping[int, Found]) -> Finding:
    subject = f"{chip} at 0x{address:02X}, bus {number}"
    found = there.get(address)
    if found is not None and chip in found.chips:
        others = [name for name in found.chips if name != chip]
        also = f"; it could also be {' or '.join(others)}" if others else ""
        return passed(subject, f"{found.detail}{also}")
    if found is not None:
        named = " or ".join(found.chips)
        if named:
            return failed(subject, f"found {named} ({found.detail})", f'Set chip = "{found.chips[0]}"')
        return failed(subject, f"found an unknown chip ({found.detail})", "Read the marking of the module")
    elsewhere = [other for other in there.values() if chip in other.chips]
    if elsewhere:
        where = elsewhere[0].address
        return failed(subject, f"found at 0x{where:02X} instead", f"Set address = 0x{where:02X}")
    return failed(
        subject,
        "no answer",
        "Check its supply and ground, its address pin, and that SDA and SCL are not swapped",
    )


def _unclaimed(number: int, found: Found) -> Finding:
    subject = f"0x{found.address:02X}, bus {number}"
    if not found.chips:
        return warned(
            subject, f"an unknown chip answers ({found.detail})", "It is not used; leave it or disconnect it"
        )
    names = " or ".join(found.chips)
    return warned(
        subject,
        f"{names}, which is not in the settings",
        f'Set chip = "{found.chips[0]}" under [{section_of(found.chips[0])}] to use it',
    )


def section_of(chip: str) -> str:
    """The section of the settings for a chip, such as "sensors.baro"."""
    for path, section in sections(Settings).items():
        if issubclass(section, BusSensor) and section.GIVES in CHIPS[chip].channels:
            return ".".join(path)
    return "sensors"
