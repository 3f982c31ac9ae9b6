"""Logs of other programs for the fuzzer; those whose library is missing are left out."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from importlib.util import find_spec
from pathlib import Path

from mcap.writer import CompressionType

from tests.hw_replay import (
    test_dataflash,
    test_nmea_log,
    test_px4_ulog,
    test_ros_bag,
    test_ubx,
    test_wide_csv,
)

Read = Callable[[Path], str]

WORDS = (b"column", b"unit", b"sign", b"scale", b"[baro]", b"[ref.x]", b"time", b"1e309", b"-1", b"nan")


def nmea() -> bytes:
    """A few epochs around midnight."""
    clocks = ("235958.00", "235959.00", "000000.00")
    return b"".join(
        test_nmea_log.rmc(clock) + test_nmea_log.gga(clock) + test_nmea_log.vtg() for clock in clocks
    )


def files() -> dict[str, Sequence[bytes]]:
    """Right examples by the name of their format."""
    found: dict[str, Sequence[bytes]] = {"nmea log": [nmea()]}
    if find_spec("pyulog"):
        found["ulog"] = [test_px4_ulog.FLIGHT]
    if find_spec("pymavlink"):
        found["dataflash"] = [test_dataflash.flight().data]
    if find_spec("pyubx2"):
        found["ubx"] = [test_ubx.other() + test_ubx.pvt(0) + test_ubx.SENTENCE + test_ubx.pvt(1000)]
    if find_spec("mcap_ros2"):
        found["ros bag"] = [
            test_ros_bag.bag(test_ros_bag.MESSAGES, enable_crcs=False, compression=CompressionType.NONE)
        ]
    return found


def tables() -> list[bytes]:
    """A table with a map."""
    return [test_wide_csv.TABLE.encode()]


def maps() -> list[bytes]:
    """Its map."""
    return [test_wide_csv.MAP.encode()]


def with_map(path: Path, read: Read, data: bytes) -> str:
    """Reads a table that is damaged, by a right map."""
    path.with_name(path.name + ".toml").write_bytes(maps()[0])
    path.write_bytes(data)
    return read(path)


def by_map(path: Path, read: Read, data: bytes) -> str:
    """Reads a right table by a map that is damaged."""
    path.write_bytes(tables()[0])
    path.with_name(path.name + ".toml").write_bytes(data)
    return read(path)
