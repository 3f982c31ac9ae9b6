"""Record every transfer on the buses; `bus_replay` replays the recording into the drivers.

A fault in the field becomes a test: the recording contains every call of `start` and `poll` with its time,
and every transfer with its answer. The same driver code then does exactly the same again. Each line is a
JSON object:

    {"log": 1}                                       the format
    {"sensor": 0, "chip": "MS5611", "bus": …}        a sensor and how to build it (`Sensor.build_args`)
    {"start": 0, "t": 12.5}   {"poll": 0, "t": 12.52}   {"hear": 0, "baro": [12.51, 95000.0]}
    {"w": 119, "d": "48", "at": 12.5201}             bytes written to an address
    {"r": 40, "n": 4, "g": "1fff8000", "at": …}      bytes read
    {"wr": 119, "d": "00", "n": 3, "g": "8aa2b4", …} written, then read
    {"baud": 9600, …}   {"rx": 1, "g": "2447…", "at": …}   a serial line: speed set, bytes arrived
    {"recover": "i2c-1"}                             the bus was freed
    any transfer may have "e": [kind, problem, advice] instead of an answer

Numbers are written with full precision. A truncated file is replayed up to its end.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from typing import Any

from drivers.bus import Bus
from drivers.errors import SensorError
from drivers.port import Port
from drivers.samples import Baro, Sample
from drivers.sensor import Sensor, SensorIdentity

FORMAT = 1


class BusLog:
    """Writes the transfers of the buses, ports and sensors that it wraps.

    Args:
        write: accepts one line of text at a time, including its line end.
        clock: the clock of the loop, for the times of single transfers.
    """

    def __init__(self, write: Callable[[str], object], clock: Callable[[], float]) -> None:
        self._write = write
        self._clock = clock
        self._sensors = 0
        self.put({"log": FORMAT})

    def put(self, entry: Mapping[str, Any]) -> None:
        """Write one line."""
        self._write(json.dumps(entry, separators=(",", ":")) + "\n")

    def transfer(self, entry: dict[str, Any], act: Callable[[], bytes | None]) -> bytes:
        """Do a transfer and record it, also if it fails."""
        try:
            got = act()
        except SensorError as error:
            self.put({**entry, "e": [type(error).__name__, error.problem, error.advice], "at": self._clock()})
            raise
        if got is not None:
            entry["g"] = got.hex()
        self.put({**entry, "at": self._clock()})
        return got or b""

    def bus(self, bus: Bus) -> RecordingBus:
        """A bus whose transfers are recorded. Build the drivers on it."""
        return RecordingBus(self, bus)

    def port(self, port: Port) -> RecordingPort:
        """A serial line whose bytes are recorded. Build the receiver on it."""
        return RecordingPort(self, port)

    def sensor(self, sensor: Sensor) -> RecordingSensor:
        """A sensor whose calls are recorded. Pass this one to the loop."""
        self._sensors += 1
        return RecordingSensor(self, sensor, self._sensors - 1)


class RecordingBus:
    """A bus whose transfers are recorded."""

    def __init__(self, log: BusLog, bus: Bus) -> None:
        self._log = log
        self._bus = bus

    @property
    def name(self) -> str:
        """The name of the real bus."""
        return self._bus.name

    def write(self, address: int, data: bytes) -> None:
        """Send bytes."""
        self._log.transfer({"w": address, "d": data.hex()}, lambda: self._bus.write(address, data))

    def read(self, address: int, length: int) -> bytes:
        """Fetch bytes."""
        return self._log.transfer({"r": address, "n": length}, lambda: self._bus.read(address, length))

    def write_read(self, address: int, data: bytes, length: int) -> bytes:
        """Send bytes, then fetch."""
        entry = {"wr": address, "d": data.hex(), "n": length}
        return self._log.transfer(entry, lambda: self._bus.write_read(address, data, length))

    def recover(self) -> None:
        """Free the bus."""
        self._log.put({"recover": self.name})
        self._bus.recover()

    def close(self) -> None:
        """Close the real bus."""
        self._bus.close()


class RecordingPort:
    """A serial line whose bytes are recorded."""

    def __init__(self, log: BusLog, port: Port) -> None:
        self._log = log
        self._port = port

    @property
    def name(self) -> str:
        """The name of the real line."""
        return self._port.name

    def set_baud(self, baud: int) -> None:
        """Listen at a speed."""
        self._log.transfer({"baud": baud}, lambda: self._port.set_baud(baud))

    def read(self) -> bytes:
        """The bytes that have arrived. Empty reads are recorded too: the replay needs every call."""
        return self._log.transfer({"rx": 1}, self._port.read)

    def close(self) -> None:
        """Close the real line."""
        self._port.close()


class RecordingSensor:
    """A sensor whose calls are recorded. It forwards everything to the real one."""

    def __init__(self, log: BusLog, sensor: Sensor, index: int) -> None:
        self._log = log
        self._sensor = sensor
        self._index = index
        log.put({"sensor": index, **sensor.build_args})

    @property
    def identity(self) -> SensorIdentity:
        """The identity of the sensor."""
        return self._sensor.identity

    @property
    def due_s(self) -> float:
        """Time of the next call of `poll`."""
        return self._sensor.due_s

    @property
    def running(self) -> bool:
        """Whether the sensor measures."""
        return self._sensor.running

    @property
    def overruns(self) -> int:
        """Cycles that the sensor has omitted."""
        return self._sensor.overruns

    @property
    def build_args(self) -> Mapping[str, object]:
        """The arguments that build the sensor again."""
        return self._sensor.build_args

    @property
    def listens(self) -> bool:
        """Whether the sensor needs the samples of others."""
        return self._sensor.listens

    def start(self, at_s: float) -> None:
        """Record the call, and start."""
        self._log.put({"start": self._index, "t": at_s})
        self._sensor.start(at_s)

    def poll(self, now_s: float) -> tuple[Sample, ...]:
        """Record the call, and poll."""
        if now_s >= self._sensor.due_s:
            self._log.put({"poll": self._index, "t": now_s})
        return self._sensor.poll(now_s)

    def note_poll_duration(self, duration_s: float) -> None:
        """Forward the call. It is not recorded: it only changes the times of later polls."""
        self._sensor.note_poll_duration(duration_s)

    def on_sample(self, sample: Sample) -> None:
        """Record a static pressure, which is all that any sensor needs of others, and forward it."""
        if isinstance(sample, Baro) and self._sensor.listens:
            self._log.put({"hear": self._index, "baro": [sample.t_s, sample.static_pa]})
            self._sensor.on_sample(sample)
