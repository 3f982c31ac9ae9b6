"""The page about sensors, generated from the drivers: `python -m tests.documents.sensors >
docs/sensors.md`.
"""

from __future__ import annotations

import sys

from drivers.chip import ChipSpec
from drivers.registry import CHIPS
from drivers.samples import CHANNELS

_UNITS = {"pa": "Pa", "mps2": "m/s²", "radps": "rad/s", "k": "K", "v": "V"}

_HEAD = """# Sensors

This page lists every chip that has a driver, what it measures, and how far its driver has been verified.
It is generated from the drivers: `python -m tests.documents.sensors > docs/sensors.md`.

**Addresses** are the possible 7-bit I²C addresses; the first is the default. **Rate** is the default rate
and the highest possible one. **Noise** is one standard deviation of a sample at the settings that the
driver uses, as the datasheet states it; — where it states none. **Delay** is what the driver subtracts from
the time of a sample.

| chip | measures | addresses | rate | noise | delay |
|---|---|---|---|---|---|
"""

_TRUST = """
## What is verified

No driver has been tested on its real chip yet. The tests run the drivers on fake chips. An error in our
knowledge of a chip is then in both, and no test finds it. Where a maker prints a worked example, a test
compares the arithmetic with it. The last column lists what nobody has compared with a datasheet yet. Where
it names something as read, this part has been compared. Compare the rest before you fly with that chip, and
run `vario check`.

| chip | source | worked example in the tests | not verified |
|---|---|---|---|
"""

_TAIL = """
## GNSS receivers

Any receiver works that sends NMEA 0183 on a serial line, with any talker (GP, GN, GL, GA, …). The driver
finds the baud rate by itself. It needs RMC and GGA. It uses VTG where RMC is missing. GSA distinguishes a
fix in two dimensions, whose position is not used, from one in three. A u-blox receiver that is set to send
NAV-PVT of its UBX protocol is found in the same way, alone or between sentences; NAV-PVT also has the
vertical speed, which NMEA does not have. The tests use published sentences with their checksums, and NAV-PVT
messages written by a general library. Positions that the receiver marks as estimated, simulated or entered
by hand are not used. Dates that are wrong by 1024 weeks are corrected.

## Known limits

* The temperature of a barometer is that of the instrument, not of the outside air. The settings can allow
  it as a substitute for an outside thermometer. In a warm cockpit, true airspeed then reads high: 1 % for 6
  K.
* An MS5607 that is configured as an MS5611 reads half the pressure. Nothing on the bus distinguishes the
  two: compare the indicated altitude with that of the airfield.
* An SDP31 measures up to 500 Pa, which is 103 km/h. A sailplane exceeds that in cruise. The sensor then
  gives no airspeed, and the instrument says why.
* An SDP3x needs the barometer: without a static pressure from the last 30 s it gives nothing.
* Some air flows through an SDP3x. Keep its tubes short and of equal length.
* An MS4525DO has no identity: the driver accepts any chip at its address. An INA219 is recognized by the
  value of its configuration register after a reset.
* The kernel frees a stuck I²C bus where the adapter can do so (for example with the `i2c-gpio` overlay).
  Elsewhere, only switching the supply of the chips off and on helps.
"""


def page() -> str:
    """The whole page, in Markdown."""
    rows = "".join(_row(spec) for spec in CHIPS.values())
    trust = "".join(
        f"| {spec.name} | {spec.source} | {spec.example or 'none printed'} | {spec.unverified} |\n"
        for spec in CHIPS.values()
    )
    return _HEAD + rows + _TRUST + trust + _TAIL


def _row(spec: ChipSpec) -> str:
    addresses = ", ".join(f"0x{address:02X}" for address in spec.addresses[:4])
    if len(spec.addresses) > 4:
        addresses += f" … 0x{spec.addresses[-1]:02X}"
    gives = ", ".join(f"`{name}`" for name in spec.channels)
    if spec.extra:
        gives += " (" + ", ".join(f"`{name}`" for name in spec.extra) + " on request)"
    noise = ", ".join(f"{sigma:.2g} {_unit(name)}" for name, sigma in spec.noise.items()) or "—"
    rate = f"{spec.rate_hz:g} Hz, to {spec.max_rate_hz:g}"
    delay = f"{spec.delay_s * 1000:.1f} ms"
    return f"| {spec.name} ({spec.kind}) | {gives} | {addresses} | {rate} | {noise} | {delay} |\n"


def _unit(channel: str) -> str:
    return _UNITS[CHANNELS[channel].value_fields[0].rpartition("_")[2]]


if __name__ == "__main__":
    sys.stdout.write(page())
