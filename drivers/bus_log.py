"""Recording everything that goes over the wires; `bus_replay` plays it back into the drivers.

A field bug becomes a test: the recording holds every call of `start` and `poll` with its time and every
transfer with what came back, so the same driver code does exactly the same again. One JSON object a line:

    {"log": 1}                                       the format
    {"sensor": 0, "chip": "MS5611", "bus": …}        a sensor and how to build it (`Sensor.build_args`)
    {"start": 0, "t": 12.5}   {"poll": 0, "t": 12.52}   {"hear": 0, "baro": [12.51, 95000.0]}
    {"w": 119, "d": "48", "at": 12.5201}             bytes written to an address
    {"r": 40, "n": 4, "g": "1fff8000", "at": …}      bytes read
    {"wr": 119, "d": "00", "n": 3, "g": "8aa2b4", …} written, then read
    {"baud": 9600, …}   {"rx": 1, "g": "2447…", "at": …}   a serial line: speed set, bytes arrived
    {"recover": "i2c-1"}                             the bus was freed
    any transfer may have "e": [kind, problem, advice] instead of what came back

Numbers are written so that they read back exactly. A file that breaks off is played up to there.
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
    """Writes what passes through the buses, ports and sensors wrapped by it.

    Args:
        write: takes one line of text at a time, with its line end.
        clock: the loop's clock, for the times of single transfers.
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
        """Do a transfer and write it down, whatever its end."""
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
        """A bus that is recorded; build the drivers on it."""
        return RecordingBus(self, bus)

    def port(self, port: Port) -> RecordingPort:
        """A serial line that is recorded; build the receiver on it."""
        return RecordingPort(self, port)

    def sensor(self, sensor: Sensor) -> RecordingSensor:
        """A sensor that is recorded; give this one to the loop."""
        self._sensors += 1
        return RecordingSensor(self, sensor, self._sensors - 1)


class RecordingBus:
    """A bus whose transfers are written down."""

    def __init__(self, log: BusLog, bus: Bus) -> None:
        self._log = log
        self._bus = bus

    @property
    def name(self) -> str:
        """Of the real bus."""
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
    """A serial line whose bytes are written down."""

    def __init__(self, log: BusLog, port: Port) -> None:
        self._log = log
        self._port = port

    @property
    def name(self) -> str:
        """Of the real line."""
        return self._port.name

    def set_baud(self, baud: int) -> None:
        """Listen at a speed."""
        self._log.transfer({"baud": baud}, lambda: self._port.set_baud(baud))

    def read(self) -> bytes:
        """What has arrived; empty readings are written down too, so that playing back stays in step."""
        return self._log.transfer({"rx": 1}, self._port.read)

    def close(self) -> None:
        """Close the real line."""
        self._port.close()


class RecordingSensor:
    """A sensor whose calls are written down. Everything else it is asked goes to the real one."""

    def __init__(self, log: BusLog, sensor: Sensor, index: int) -> None:
        self._log = log
        self._sensor = sensor
        self._index = index
        log.put({"sensor": index, **sensor.build_args})

    @property
    def identity(self) -> SensorIdentity:
        """Of the sensor."""
        return self._sensor.identity

    @property
    def due_s(self) -> float:
        """Of the sensor."""
        return self._sensor.due_s

    @property
    def running(self) -> bool:
        """Of the sensor."""
        return self._sensor.running

    @property
    def overruns(self) -> int:
        """Of the sensor."""
        return self._sensor.overruns

    @property
    def build_args(self) -> Mapping[str, object]:
        """Of the sensor."""
        return self._sensor.build_args

    @property
    def listens(self) -> bool:
        """Of the sensor."""
        return self._sensor.listens

    def start(self, at_s: float) -> None:
        """Write down, and start."""
        self._log.put({"start": self._index, "t": at_s})
        self._sensor.start(at_s)

    def poll(self, now_s: float) -> tuple[Sample, ...]:
        """Write down, and poll."""
        if now_s >= self._sensor.due_s:
            self._log.put({"poll": self._index, "t": now_s})
        return self._sensor.poll(now_s)

    def note_poll_duration(self, duration_s: float) -> None:
        """Pass it on: what comes of it are the times of the polls."""
        self._sensor.note_poll_duration(duration_s)

    def on_sample(self, sample: Sample) -> None:
        """Write down a static pressure (the only thing any sensor listens for), and pass it on."""
        if isinstance(sample, Baro) and self._sensor.listens:
            self._log.put({"hear": self._index, "baro": [sample.t_s, sample.static_pa]})
            self._sensor.on_sample(sample)
