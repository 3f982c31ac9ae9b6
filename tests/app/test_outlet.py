"""Outlets, the end of a run, and messages, with fake devices and a clock of the test."""

from __future__ import annotations

import logging
import os
import signal
import threading

import pytest

from tests.support.waiting import once
from vario.app.live.ending import Ending
from vario.app.live.teller import MOST_WAITING, Teller
from vario.app.outlet import Outlet, Seldom


class Device:
    def __init__(self) -> None:
        self.problem: str | None = None
        self.lost = False
        self.closed = False
        self.taken: list[int] = []

    def close(self) -> None:
        self.closed = True


class Shelf:
    """Makes devices, or fails."""

    def __init__(self, refusal: str | None = None) -> None:
        self.refusal = refusal
        self.devices: list[Device] = []
        self.tries = 0
        self.now_s = 0.0

    def make(self) -> Device:
        self.tries += 1
        if self.refusal is not None:
            raise RuntimeError(self.refusal)
        self.devices.append(Device())
        return self.devices[-1]

    def outlet(self) -> Outlet[Device]:
        return Outlet(
            "radio",
            self.make,
            lambda device: device.problem,
            lambda device: device.lost,
            without="without radio",
            retry_s=0.001,
            now=lambda: self.now_s,
        )


def messages(caplog: pytest.LogCaptureFixture) -> list[str]:
    return [record.getMessage() for record in caplog.records]


def test_a_missing_device_is_said_once_a_minute_and_taken_when_it_comes(
    caplog: pytest.LogCaptureFixture,
) -> None:
    shelf = Shelf("no such device")
    outlet = shelf.outlet()
    line = "radio: no such device. The flight continues without radio"
    once(lambda: shelf.tries >= 4)
    outlet.give(lambda device: device.taken.append(1))  # into nothing
    assert outlet.problem == "no such device"
    assert messages(caplog) == [line]
    shelf.now_s = 59.9
    tries = shelf.tries
    once(lambda: shelf.tries >= tries + 2)
    assert messages(caplog) == [line]
    shelf.now_s = 60.0
    once(lambda: len(messages(caplog)) == 2)
    shelf.refusal = None
    once(lambda: outlet.problem is None)
    outlet.give(lambda device: device.taken.append(2))
    outlet.close()
    assert messages(caplog) == [line, line, "radio: works again"]
    assert shelf.devices[-1].taken == [2]
    assert shelf.devices[-1].closed


def test_a_device_lost_in_flight_is_closed_and_opened_again() -> None:
    shelf = Shelf()
    outlet = shelf.outlet()
    assert outlet.problem is None
    shelf.devices[0].problem, shelf.devices[0].lost = "has gone", True
    once(lambda: len(shelf.devices) == 2 and outlet.problem is None)
    assert shelf.devices[0].closed
    outlet.close()


def test_a_problem_that_passes_by_itself_needs_no_opening(caplog: pytest.LogCaptureFixture) -> None:
    """Such as a network that is down for a while under a datagram socket."""
    shelf = Shelf()
    outlet = shelf.outlet()
    shelf.devices[0].problem = "Network is unreachable"
    once(lambda: bool(messages(caplog)))
    assert outlet.problem == "Network is unreachable"
    shelf.devices[0].problem = None
    once(lambda: outlet.problem is None)
    outlet.close()
    assert len(shelf.devices) == 1
    assert messages(caplog) == [
        "radio: Network is unreachable. The flight continues without radio",
        "radio: works again",
    ]


def test_a_device_whose_opening_hangs_costs_the_flight_nothing(caplog: pytest.LogCaptureFixture) -> None:
    hangs, shelf = threading.Event(), Shelf()

    def make() -> Device:
        hangs.wait()
        return shelf.make()

    outlet: Outlet[Device] = Outlet(
        "radio", make, lambda _: None, lambda _: False, without="without radio", retry_s=0.001
    )
    assert "opening takes longer" in str(outlet.problem)
    outlet.give(lambda device: device.taken.append(1))
    outlet.close(timeout_s=0.001)  # returns all the same
    assert "opening takes longer" in caplog.text
    hangs.set()
    once(lambda: bool(shelf.devices) and shelf.devices[0].closed)


def test_the_same_complaint_is_made_once_a_minute() -> None:
    seldom = Seldom()
    said = [t_s for t_s in range(0, 200, 5) if seldom.may_say("card", float(t_s))]
    assert said == [0, 60, 120, 180]
    assert seldom.may_say("another", 181.0)


def test_an_outlet_that_hangs_at_the_end_is_left_and_the_others_are_closed(
    caplog: pytest.LogCaptureFixture,
) -> None:
    hangs, closed, left = threading.Event(), threading.Event(), threading.Event()
    codes: list[int] = []

    def leave(code: int) -> None:
        codes.append(code)
        left.set()

    def fails() -> None:
        raise OSError("no")

    with Ending(leave, longest_s=1.0) as ending:
        ending.add("line", hangs.wait)
        ending.add("card", closed.set)
        ending.add("screen", fails)
        signal.raise_signal(signal.SIGHUP)
        assert ending.asked
    assert closed.is_set()
    assert ending.left_behind == ("line",)
    assert "not closed, because it hangs: line" in caplog.text
    assert left.wait(30.0)  # the interpreter might hang too: the watcher ends it
    assert codes == [1]
    hangs.set()


def test_a_loop_that_hangs_does_not_keep_the_recording_from_its_end(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("vario.app.live.ending.LOOP_S", 0.05)
    closed, left = threading.Event(), threading.Event()
    with Ending(lambda _: left.set(), longest_s=0.7) as ending:
        ending.add("card", closed.set)
        os.kill(os.getpid(), signal.SIGTERM)
        assert closed.wait(30.0)  # the main thread does nothing about it
        assert left.wait(30.0)


def test_signals_are_as_before_when_all_is_closed() -> None:
    before = [signal.getsignal(one) for one in (signal.SIGTERM, signal.SIGHUP, signal.SIGUSR1)]
    threads = threading.active_count()
    left: list[int] = []
    with Ending(left.append, longest_s=0.6) as ending:
        signal.raise_signal(signal.SIGUSR1)  # its default action would end the tests
        assert not ending.asked
    assert [signal.getsignal(one) for one in (signal.SIGTERM, signal.SIGHUP, signal.SIGUSR1)] == before
    once(lambda: threading.active_count() == threads)
    assert left == []


def test_who_was_started_by_nohup_outlives_the_terminal() -> None:
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with Ending() as ending:
            signal.raise_signal(signal.SIGHUP)
            assert not ending.asked
    finally:
        signal.signal(signal.SIGHUP, before)


def test_a_terminal_that_takes_nothing_costs_words_only(capsys: pytest.CaptureFixture[str]) -> None:
    teller, hangs, begun = Teller(), threading.Event(), threading.Event()
    log = logging.Logger("flight")
    log.addHandler(teller)
    teller.do(lambda: (begun.set(), hangs.wait()))
    assert begun.wait(30.0)
    for k in range(MOST_WAITING + 10):
        log.info("line %d", k)
    assert not teller.finish(0.001)
    hangs.set()
    assert teller.finish(30.0)
    assert "lines that could not be written: 1" in capsys.readouterr().err


def test_words_that_could_not_be_said_are_counted_and_those_after_are_said(
    capsys: pytest.CaptureFixture[str],
) -> None:
    def gone() -> None:
        raise SystemExit(1)  # the exception of the terminal library if its reader has ended

    teller = Teller()
    log = logging.Logger("flight")
    log.addHandler(teller)
    teller.do(gone)
    log.info("here again")
    assert teller.finish(30.0)
    assert capsys.readouterr().err == "lines that could not be written: 1\nhere again\n"
