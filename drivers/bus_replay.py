"""Replay a recording of the buses (`bus_log`) into newly built drivers."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Mapping
from typing import Any, Protocol

from drivers import errors
from drivers.bus_log import FORMAT
from drivers.errors import DivergedError, SensorError
from drivers.gnss import GnssReceiver
from drivers.registry import build
from drivers.samples import CHANNELS, Baro, Sample
from drivers.sensor import Sensor

_KINDS = {
    name: kind
    for name, kind in vars(errors).items()
    if isinstance(kind, type) and issubclass(kind, SensorError)
}


MOST_SENSORS = 200
"""The highest number of sensors in a recording: more than a bus has addresses."""


LATEST_S = 4e9
"""The latest possible time of a call, even on a clock that counts from 1970."""


class _Script(Protocol):
    """The remaining lines."""

    def take(self, wanted: Mapping[str, Any]) -> bytes:
        """The answer in the next line, which must be this transfer."""


class ReplayBus:
    """A bus that answers from a recording."""

    def __init__(self, script: _Script, name: str) -> None:
        self._script = script
        self._name = name

    @property
    def name(self) -> str:
        """The name of the recorded bus."""
        return self._name

    def write(self, address: int, data: bytes) -> None:
        """Check that the same bytes were sent."""
        self._script.take({"w": address, "d": data.hex()})

    def read(self, address: int, length: int) -> bytes:
        """The recorded answer."""
        return self._script.take({"r": address, "n": length})

    def write_read(self, address: int, data: bytes, length: int) -> bytes:
        """The recorded answer."""
        return self._script.take({"wr": address, "d": data.hex(), "n": length})

    def recover(self) -> None:
        """Do nothing: the recording shows whether it helped."""

    def close(self) -> None:
        """Do nothing."""


class ReplayPort:
    """A serial line that replays the bytes of a recording."""

    def __init__(self, script: _Script, name: str) -> None:
        self._script = script
        self._name = name

    @property
    def name(self) -> str:
        """The name of the recorded line."""
        return self._name

    def set_baud(self, baud: int) -> None:
        """Check that the baud rate is the same."""
        self._script.take({"baud": baud})

    def read(self) -> bytes:
        """The bytes that arrived."""
        return self._script.take({"rx": 1})

    def close(self) -> None:
        """Do nothing."""


class BusReplay:
    """Replays a recording into newly built drivers.

    Iterating yields the samples that the live loop received, in its order. Where the loop received an error,
    it yields that error.

    Args:
        lines: of the recording.

    Raises, while iterating:
        DivergedError: if the drivers do something else than in the recording, or a line is invalid. The
            message names the line.
    """

    def __init__(self, lines: Iterable[str]) -> None:
        self._lines = iter(lines)
        self._number = 0
        self._next: Mapping[str, Any] | None = None
        self.sensors: list[Sensor] = []
        self.truncated = False
        """Whether the last line is incomplete."""

    def __iter__(self) -> Iterator[Sample | SensorError]:
        while (entry := self._line()) is not None:
            match entry:
                case {"log": int(version)}:
                    if version != FORMAT:
                        raise self._diverged(f"format {version}, expected {FORMAT}")
                case {"sensor": int(), **build_args}:
                    self.sensors.append(self._build(build_args))
                case {"start": int(index), "t": float(t) | int(t)}:
                    self._sensor(index).start(self._time(t))
                case {"hear": int(index), "baro": [float(t) | int(t), float(static_pa) | int(static_pa)]}:
                    self._sensor(index).on_sample(Baro(self._time(t), self._pressure(static_pa)))
                case {"poll": int(index), "t": float(t) | int(t)}:
                    try:
                        yield from self._sensor(index).poll(self._time(t))
                    except DivergedError:
                        if self.truncated:
                            return
                        raise
                    except SensorError as error:
                        yield error
                case {"recover": _}:
                    pass
                case _:
                    raise self._diverged(
                        f"{json.dumps(entry)[:80]} is in the recording, and was not done now"
                    )

    def take(self, wanted: Mapping[str, Any]) -> bytes:
        """The answer in the next line, which must be this transfer; raises its recorded error."""
        entry = self._line()
        if entry is None:
            self.truncated = True
            raise self._diverged("the recording ends within a poll")
        if any(entry.get(key) != value for key, value in wanted.items()):
            raise self._diverged(f"recorded is {json.dumps(entry)[:80]}, the driver now does {wanted}")
        match entry:
            case {"e": [str(kind), str(problem), str(advice)]}:
                raise _KINDS.get(kind, SensorError)(problem, advice)
            case {"g": str(got)}:
                return self._bytes(got, wanted.get("n"))
            case _ if "n" in wanted:
                raise self._diverged(f"{json.dumps(entry)[:80]} does not say what was read")
            case _:
                return b""

    def _bytes(self, got: str, length: int | None) -> bytes:
        try:
            content = bytes.fromhex(got)
        except ValueError:
            raise self._diverged(f"{got[:40]!r} is not in hexadecimal") from None
        if length is not None and len(content) != length:
            raise self._diverged(f"{len(content)} bytes came back, expected {length}")
        return content

    def _line(self) -> Mapping[str, Any] | None:
        text = next(self._lines, None)
        if text is None:
            return None
        self._number += 1
        try:
            entry = json.loads(text)
        except (ValueError, RecursionError):
            entry = None
        if isinstance(entry, dict):
            return entry
        if next(self._lines, None) is None:
            self.truncated = True
            return None
        raise self._diverged(f"{text[:40]!r} is no entry")

    def _build(self, build_args: dict[str, Any]) -> Sensor:
        if len(self.sensors) >= MOST_SENSORS:
            raise self._diverged(f"more than {MOST_SENSORS} sensors")
        try:
            if "receiver" in build_args:
                return GnssReceiver(ReplayPort(self, build_args.pop("receiver")), **build_args)
            bus = ReplayBus(self, build_args.pop("bus"))
            return build(build_args.pop("chip"), bus, **build_args)
        except (AttributeError, KeyError, TypeError, ValueError, OverflowError) as error:
            raise self._diverged(f"this sensor cannot be built: {error}") from error

    def _time(self, t_s: float) -> float:
        if not 0.0 <= t_s <= LATEST_S:
            raise self._diverged(f"the time is {t_s!r:.20} s, expected 0 to {LATEST_S:g} s")
        return float(t_s)

    def _pressure(self, static_pa: float) -> float:
        low, high = CHANNELS["baro"].limits["static_pa"]
        if not low <= static_pa <= high:
            raise self._diverged(
                f"the static pressure is {static_pa!r:.20} Pa, expected {low:g} to {high:g} Pa"
            )
        return float(static_pa)

    def _sensor(self, index: int) -> Sensor:
        if not 0 <= index < len(self.sensors):
            raise self._diverged(f"there is no sensor {index!r:.20}, but {len(self.sensors)} from 0 on")
        return self.sensors[index]

    def _diverged(self, problem: str) -> DivergedError:
        return DivergedError(f"line {self._number}: {problem}", sensor="bus recording")
