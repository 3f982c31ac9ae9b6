"""What can go wrong between a chip and a sample, as one small tree.

A message says which sensor at which address, what was read or written, what was expected, and what to
look at on the wiring. `passing` errors cost one reading and nothing else; after any other the sensor
must be started again.
"""

from __future__ import annotations


class SensorError(Exception):
    """Something is wrong with a sensor.

    Args:
        problem: what was found and what was expected.
        advice: what to look at first.
        sensor: which sensor; filled in by the driver where the bus does not know.
    """

    passing = False
    """Whether the sensor still keeps its schedule; otherwise it waits for `start`."""

    def __init__(self, problem: str, advice: str = "", *, sensor: str | None = None) -> None:
        super().__init__(problem, advice)
        self.problem = problem
        self.advice = advice
        self.sensor = sensor

    def __str__(self) -> str:
        head = f"{self.sensor}: {self.problem}" if self.sensor else self.problem
        return f"{head}. {self.advice}" if self.advice else head


class UnavailableError(SensorError):
    """The bus or port itself cannot be opened, or has gone."""


class NoAnswerError(SensorError):
    """Nothing acknowledges at the address: not wired, not powered, or at another address."""


class BusStuckError(SensorError):
    """The bus does not come free: a line held low, a transfer that never ends."""


class WrongChipError(SensorError):
    """Something answers, but it is another chip than the settings say."""


class BadCalibrationError(SensorError):
    """The factory constants in the chip cannot be right (checksum, all zeros, all ones)."""


class ChipFaultError(SensorError):
    """The chip itself reports a fault."""


class SilentError(SensorError):
    """A serial line carries nothing that makes sense at any speed, or has fallen silent."""


class StaleDataError(SensorError):
    """The chip answers but its data no longer change: hung, or restarted and not measuring."""


class NotReadyError(SensorError):
    """A conversion was not finished when it had to be."""

    passing = True


class BadChecksumError(SensorError):
    """A transfer was garbled."""

    passing = True


class SaturatedError(SensorError):
    """The reading is at the end of the chip's range: the true value lies beyond."""

    passing = True


class ImplausibleError(SensorError):
    """The reading cannot be true."""

    passing = True


class DivergedError(SensorError):
    """A replayed bus recording does not fit what the driver does now."""
