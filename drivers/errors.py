"""The errors between a chip and a sample.

A message names the sensor and its address, what was read or written, what was expected, and what to check in
the wiring. A `passing` error costs one reading. After any other error the sensor must be started again.
"""

from __future__ import annotations


class SensorError(Exception):
    """A fault of a sensor.

    Args:
        problem: what was found and what was expected.
        advice: what to check first.
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
    """The bus or port cannot be opened, or has disappeared."""


class NoAnswerError(SensorError):
    """No chip acknowledges at the address: it is not wired, not powered, or at another address."""


class BusStuckError(SensorError):
    """The bus stays busy: a line is held low, or a transfer does not end."""


class WrongChipError(SensorError):
    """A chip answers, but it is not the chip that the settings name."""


class BadCalibrationError(SensorError):
    """The factory constants in the chip cannot be right (checksum, all zeros, all ones)."""


class ChipFaultError(SensorError):
    """The chip reports a fault."""


class SilentError(SensorError):
    """A serial line gives no valid sentence at any baud rate, or no more bytes."""


class StaleDataError(SensorError):
    """The chip answers, but its data no longer change: it hangs, or it was reset and does not measure."""


class NotReadyError(SensorError):
    """A conversion was not finished in time."""

    passing = True


class BadChecksumError(SensorError):
    """A transfer was garbled."""

    passing = True


class SaturatedError(SensorError):
    """The reading is at the end of the chip's range: the true value lies beyond."""

    passing = True


class ImplausibleError(SensorError):
    """The reading is physically impossible."""

    passing = True


class DivergedError(SensorError):
    """The driver makes another transfer than in the recording of the bus."""
