"""Settings of the output to other devices."""

import ipaddress
import re
from collections.abc import Iterator

from drivers.quick import dataclass
from vario.settings.errors import Broken
from vario.settings.fields import Section, optional_text, quantity

FORMS = "expected tcp:ADDRESS:PORT, udp:ADDRESS:PORT or serial:DEVICE@BAUD, with the address in numbers"


@dataclass(frozen=True, slots=True)
class Network:
    """The network address for sentences. TCP: listen at `host`. UDP: send to `host`."""

    protocol: str
    host: str
    port: int


@dataclass(frozen=True, slots=True)
class Serial:
    """The serial line for sentences."""

    device: str
    baud: int


Address = Network | Serial


def parse_address(text: str) -> Address | None:
    """The address that a text describes; None if it is invalid. Host names are not resolved, only numbers."""
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


PAGE_FORM = "expected ADDRESS:PORT, with the address in numbers"


def parse_page_address(text: str) -> Network | None:
    """The address and port of the live page; None if the text is invalid."""
    found = parse_address(f"tcp:{text}")
    return found if isinstance(found, Network) else None


class Page(Section):
    """The live page for a browser of a phone, a tablet or a small screen."""

    address: str | None = optional_text(
        "192.168.4.1:8080",
        "ADDRESS:PORT at which the page is served, such as 127.0.0.1:8080 for a screen of this computer; "
        "absent: no page. The data is not encrypted: everybody in that network can read it. With 0.0.0.0 "
        "that is every network",
    )
    passphrase_file: str | None = optional_text(
        "page-passphrase",
        "File that holds the passphrase, at least 8 characters, relative to this file; whoever knows it can "
        "change MacCready, ballast, bugs, volume and mode, and set marks; absent: nothing can be changed",
    )

    def broken_rules(self) -> Iterator[Broken]:
        """The address must be valid."""
        if self.address is not None and parse_page_address(self.address) is None:
            yield Broken(("address",), PAGE_FORM)


class Declaration(Section):
    """Pilots and glider, for exported FAI/IGC files."""

    pilot: str | None = optional_text("A. Example", "Pilot in charge; absent: not recorded")
    second_pilot: str | None = optional_text("B. Example", "Second pilot; absent: not recorded")
    glider_type: str | None = optional_text(
        "Quendel 2", "Type of glider; absent: that of an imported file, otherwise the name in the glider file"
    )
    glider_id: str | None = optional_text("D-0000", "Registration of the glider; absent: not recorded")


class Nmea(Section):
    """Output of NMEA 0183 sentences to a tablet or another instrument."""

    to: str | None = optional_text(
        "tcp:127.0.0.1:10110",
        "Destination. tcp:ADDRESS:PORT accepts connections there, udp:ADDRESS:PORT sends to it, "
        "serial:DEVICE@BAUD writes to a serial line; absent: no output. The data is not encrypted, and "
        "with 0.0.0.0 every host on every network can connect",
    )
    rate_hz: float = quantity("4 Hz", "0.2 Hz", "10 Hz", "Sets of sentences per second")

    def broken_rules(self) -> Iterator[Broken]:
        """The address must be valid."""
        if self.to is not None and parse_address(self.to) is None:
            yield Broken(("to",), FORMS)
