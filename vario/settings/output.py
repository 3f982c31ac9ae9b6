"""Settings of what leaves the instrument for other devices."""

from __future__ import annotations

import ipaddress
import re
from collections.abc import Iterator
from dataclasses import dataclass

from vario.settings.errors import Broken
from vario.settings.fields import Section, optional_text, quantity

FORMS = "expected tcp:ADDRESS:PORT, udp:ADDRESS:PORT or serial:DEVICE@BAUD, with the address in numbers"


@dataclass(frozen=True, slots=True)
class Network:
    """Where sentences go: over TCP whoever connects to `host` gets them, over UDP they are sent to it."""

    protocol: str
    host: str
    port: int


@dataclass(frozen=True, slots=True)
class Serial:
    """A serial line sentences go out on."""

    device: str
    baud: int


Address = Network | Serial


def parse_address(text: str) -> Address | None:
    """The address a text names; None if it is none. Names of hosts are not looked up: numbers only."""
    serial = re.fullmatch(r"serial:(/[^@\s]+)@(\d{3,7})", text)
    if serial:
        return Serial(serial[1], int(serial[2]))
    network = re.fullmatch(r"(tcp|udp):(?:\[([0-9a-fA-F:.]+)\]|([0-9.]+)):(\d{1,5})", text)
    if not network or not 0 < int(network[4]) < 65536:
        return None
    try:
        host = str(ipaddress.ip_address(network[2] or network[3]))
    except ValueError:
        return None
    return Network(network[1], host, int(network[4]))


class Nmea(Section):
    """Output for a tablet or another instrument, as sentences of NMEA 0183."""

    to: str | None = optional_text(
        "tcp:127.0.0.1:10110",
        "Where to: tcp:ADDRESS:PORT waits there and serves whoever connects, udp:ADDRESS:PORT sends there, "
        "serial:DEVICE@BAUD writes on a line; absent: nothing goes out. Nothing on the way is secret, and "
        "0.0.0.0 lets anyone on every network listen",
    )
    rate_hz: float = quantity("4 Hz", "0.2 Hz", "10 Hz", "Sets of sentences a second")

    def broken_rules(self) -> Iterator[Broken]:
        """An address that is one."""
        if self.to is not None and parse_address(self.to) is None:
            yield Broken(("to",), FORMS)
