"""The page of sensors, made from the catalogue: `python -m drivers.document > docs/sensors.md`."""

from __future__ import annotations

import sys

from drivers.chip import ChipSpec
from drivers.registry import CHIPS
from drivers.samples import CHANNELS

_UNITS = {"pa": "Pa", "mps2": "m/s²", "radps": "rad/s", "k": "K", "v": "V"}

_HEAD = """# Sensors

Every chip the vario drives, what it gives, and how far its driver is to be trusted before it has met the
real chip. Made from the catalogue in `drivers/`: `python -m drivers.document > docs/sensors.md`.

**Addresses** are the 7-bit I²C addresses it can have, the one assumed first. **Rate** is what it is read at
unless the settings say otherwise, and the most it can do. **Noise** is one standard deviation of a sample at
the settings used here, as the datasheet promises it; — where it promises none. **Delay** is what the driver
takes off the time of a sample.

| chip | gives | addresses | rate | noise | delay |
|---|---|---|---|---|---|
"""

_TRUST = """
## What is checked, and what is from memory

No driver here has met its chip yet: the tests run them on fake chips, which share what we know and what we
do not. Where a maker prints a worked example, the arithmetic is tested against it. What is from memory was
not read in a datasheet when the driver was written: compare it before you fly with that chip, and run
`vario check`.

| chip | source | worked example tested | from memory |
|---|---|---|---|
"""

_TAIL = """
## GNSS receivers

Any receiver that speaks NMEA 0183 on a serial line, any talker (GP, GN, GL, GA, …); its speed is found by
listening. RMC and GGA are needed, VTG serves where RMC is missing, GSA tells a fix in two dimensions (whose
position is not used) from one in three. Tested with published sentences and their checksums; positions that
are estimated, simulated or typed in are not believed, dates that ran over after 1024 weeks are put right.

## Limits to know

* A barometer's own temperature is that of the instrument, not of the air outside. It may stand in for an
  outside thermometer if the settings say so, but in a warm cockpit true airspeed then reads high: 1 % for 6
  K.
* An MS5607 taken for an MS5611 reads half the pressure. Nothing on the bus tells the two apart: compare the
  altitude with that of the field.
* An SDP31 ends at 500 Pa, that is 103 km/h, which a sailplane exceeds in cruise. It then gives no airspeed,
  and says why.
* An SDP3x needs the barometer: without a static pressure of the last 30 s it gives nothing.
* SDP3x sensors let a little air through. Keep their tubes short and of equal length.
* An MS4525DO has no identity: whatever answers at its address is taken for one. An INA219 is known by what it
  holds after a reset.
* A stuck I²C bus is freed by the kernel where the adapter can do so (for example with the `i2c-gpio`
  overlay); elsewhere only cycling the chips' supply helps.
"""


def page() -> str:
    """The whole page, in Markdown."""
    rows = "".join(_row(spec) for spec in CHIPS.values())
    trust = "".join(
        f"| {spec.name} | {spec.source} | {spec.example or 'none printed'} | {spec.memory} |\n"
        for spec in CHIPS.values()
    )
    return _HEAD + rows + _TRUST + trust + _TAIL


def _row(spec: ChipSpec) -> str:
    addresses = ", ".join(f"0x{address:02X}" for address in spec.addresses[:4])
    if len(spec.addresses) > 4:
        addresses += f" … 0x{spec.addresses[-1]:02X}"
    gives = ", ".join(f"`{name}`" for name in spec.channels)
    if spec.extra:
        gives += " (" + ", ".join(f"`{name}`" for name in spec.extra) + " if asked)"
    noise = ", ".join(f"{sigma:.2g} {_unit(name)}" for name, sigma in spec.noise.items()) or "—"
    rate = f"{spec.rate_hz:g} Hz, to {spec.max_rate_hz:g}"
    delay = f"{spec.delay_s * 1000:.1f} ms"
    return f"| {spec.name} ({spec.what}) | {gives} | {addresses} | {rate} | {noise} | {delay} |\n"


def _unit(channel: str) -> str:
    return _UNITS[CHANNELS[channel].value_fields[0].rpartition("_")[2]]


if __name__ == "__main__":
    sys.stdout.write(page())
