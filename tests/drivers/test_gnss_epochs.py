"""GNSS receivers: the times of epochs, loss and return, UTC, and a real pseudo-terminal."""

import os
import select
import tty
from datetime import UTC, datetime, timedelta
from itertools import pairwise

import pytest

from drivers import nmea
from drivers.errors import BadChecksumError, SilentError, UnavailableError
from drivers.fakes import FakeClock, FakeReceiver, World
from drivers.fakes.gnss import epoch_sentences
from drivers.gnss import GnssReceiver
from drivers.port import TtyPort
from drivers.samples import GnssPos, GnssVel
from drivers.sensor import NEVER_S
from tests.support.gnss_lines import GGA, GSA, NO_FIX, RMC, VTG, Line, listening, run, say


@pytest.mark.parametrize("rate_hz", [1.0, 5.0, 10.0])
def test_samples_carry_the_time_of_their_epoch(rate_hz):
    clock = FakeClock(2.0)
    world = World(velocity_mps=(30.0, 5.0, 1.0))
    port = FakeReceiver(world, clock, baud=38400, rate_hz=rate_hz, latency_s=0.12)
    receiver, _ = listening(port, clock=clock, baud=38400, latency_s=0.12)
    samples, faults = run(receiver, clock, 10.0)
    assert not faults
    for kind in (GnssPos, GnssVel):
        times = [s.t_s for s in samples if isinstance(s, kind)]
        assert len(times) == pytest.approx(10.0 * rate_hz, abs=1)
        for t_s in times:  # within one poll after the epoch
            assert t_s * rate_hz % 1.0 / rate_hz < 0.021 or t_s * rate_hz % 1.0 > 0.999
    assert samples[-1].t_s < clock()
    (position, *_) = [s for s in samples if isinstance(s, GnssPos)]
    assert (position.lat_deg, position.lon_deg, position.altitude_m) == pytest.approx((47.0, 11.0, 600.0))
    (velocity, *_) = [s for s in samples if isinstance(s, GnssVel)]
    assert (velocity.north_mps, velocity.east_mps) == pytest.approx((30.0, 5.0), abs=0.01)
    assert velocity.down_mps is None


def test_loss_of_the_fix_and_its_return():
    clock, world = FakeClock(2.0), World()
    receiver, _ = listening(FakeReceiver(world, clock), clock=clock)
    assert run(receiver, clock, 2.0)[0]
    world.position = None
    run(receiver, clock, 0.5)
    assert run(receiver, clock, 5.0) == ([], [])
    assert receiver.status.has_fix is False
    world.position = (47.0, 11.0, 900.0)
    run(receiver, clock, 0.5)
    samples, _ = run(receiver, clock, 2.0)
    assert any(isinstance(s, GnssPos) and s.altitude_m == 900.0 for s in samples)


def test_a_fix_in_two_dimensions_has_no_height_and_so_no_position():
    port = Line()
    receiver, clock = listening(port)
    flat = nmea.framed("GPGSA,A,2,04,05,,09,12,,,24,,,,,2.5,1.3,2.1").strip()
    assert [type(s) for s in say(receiver, clock, port, flat, GGA, RMC)] == [GnssVel]
    assert [type(s) for s in say(receiver, clock, port, GSA, GGA)] == [GnssPos]


def test_velocity_from_vtg_only_where_there_is_no_rmc():
    port = Line()
    receiver, clock = listening(port)
    assert [type(s) for s in say(receiver, clock, port, GGA, VTG)] == [GnssPos, GnssVel]
    assert [type(s) for s in say(receiver, clock, port, RMC, VTG)] == [GnssVel]
    assert [type(s) for s in say(receiver, clock, port, NO_FIX, VTG)] == []


def vtg(speed_mps):
    speed_kt = speed_mps * 3600 / 1852
    return f"GNVTG,0.0,T,,M,{speed_kt:.3f},N,{speed_kt * 1.852:.3f},K,A"


def gga(at):
    return f"GNGGA,{at:%H%M%S}.{at.microsecond // 10_000:02d},4700.0,N,01100.0,E,1,10,0.8,600.0,M,47.0,M,,"


@pytest.mark.parametrize("rate_hz", [1.0, 5.0, 10.0])
@pytest.mark.parametrize("order", ["VG", "GV", "VSG", "SVG", "GSV", "G V", "G SV", "V G"])
def test_a_velocity_without_a_time_is_of_the_epoch_whose_sentences_are_nearest(rate_hz, order):
    # A receiver without RMC; the speed increases by 1 m/s each epoch; a space is a pause of a sixth of the
    # epoch.
    port = Line()
    receiver, clock = listening(port, baud=38400, latency_s=0.0)
    samples, first = [], 2
    for epoch in range(12):
        at = datetime(2026, 6, 1, 12, tzinfo=UTC) + timedelta(seconds=epoch / rate_hz)
        bodies = {"V": vtg(float(epoch)), "G": gga(at), "S": "GNGSA,A,3,04,05,09,12,24,,,,,,,,1.5,0.8,1.2"}
        begun_s = clock()
        for letter in order:
            if letter == " ":
                samples += run(receiver, clock, 1.0 / rate_hz / 6.0)[0]
            else:
                port.waiting += nmea.framed(bodies[letter]).encode()
        samples += run(receiver, clock, begun_s + 1.0 / rate_hz - clock())[0]
    places = [s.t_s for s in samples if isinstance(s, GnssPos)]
    speeds = {round(s.north_mps): s.t_s for s in samples if isinstance(s, GnssVel)}
    assert set(speeds) >= set(range(first, 11))
    for epoch in range(first, 11):
        assert speeds[epoch] == places[epoch]


@pytest.mark.parametrize("midnight", [False, True])
def test_epochs_taken_in_one_go_are_as_far_apart_as_their_times(midnight):
    # A loop that stopped for 1.7 s finds several epochs in the buffer of the system, at five epochs per
    # second.
    clock = FakeClock(2.0)
    start = datetime(2026, 6, 1, 23, 59, 56, tzinfo=UTC) if midnight else datetime(2026, 6, 1, 12, tzinfo=UTC)
    receiver, _ = listening(FakeReceiver(World(), clock, rate_hz=5.0, start_utc=start), clock=clock)
    samples, _ = run(receiver, clock, 1.0)
    clock.advance(1.7)
    samples += run(receiver, clock, 1.0)[0]
    for kind in (GnssPos, GnssVel):
        times = [s.t_s for s in samples if isinstance(s, kind)]
        assert len(times) == pytest.approx(18, abs=1)
        assert [b - a for a, b in pairwise(times)] == pytest.approx([0.2] * (len(times) - 1), abs=0.2)
        assert min(b - a for a, b in pairwise(times)) > 0.0
        assert times[-1] - times[0] == pytest.approx(0.2 * (len(times) - 1), abs=0.05)


def test_a_velocity_without_a_time_waits_no_longer_than_it_must():
    port = Line()
    receiver, clock = listening(port)
    say(receiver, clock, port, GGA)
    clock.advance(0.1)
    assert say(receiver, clock, port, VTG) == []  # of the epoch before or of the next?
    (velocity,) = run(receiver, clock, 0.2)[0]  # the next is further away
    assert velocity.t_s < clock() - 0.3


def test_garbled_sentences_are_counted_and_cost_nothing_else():
    clock, world = FakeClock(2.0), World()
    port = FakeReceiver(world, clock, rate_hz=5.0)
    receiver, _ = listening(port, clock=clock)
    run(receiver, clock, 1.0)
    port.garbled_epochs = 2
    samples, faults = run(receiver, clock, 2.0)
    assert {type(fault) for fault in faults} == {BadChecksumError}
    assert receiver.status.garbled == 2
    assert len([s for s in samples if isinstance(s, GnssPos)]) == pytest.approx(10, abs=1)


def test_a_receiver_that_falls_silent_or_is_pulled_out_comes_back_after_a_start():
    clock = FakeClock(2.0)
    port = FakeReceiver(World(), clock)
    receiver, _ = listening(port, clock=clock)
    port.plugged = False
    _, (fault,) = run(receiver, clock, 10.0)
    assert isinstance(fault, UnavailableError)
    assert receiver.due_s == NEVER_S
    port.plugged = True
    port.rate_hz = 1e-6
    receiver.start(clock())
    _, (fault,) = run(receiver, clock, 60.0)
    assert isinstance(fault, SilentError)
    port.rate_hz = 5.0
    receiver.start(clock())
    assert run(receiver, clock, 8.0)[0]


def test_a_line_that_falls_silent():
    port = Line()
    receiver, clock = listening(port)
    _, (fault,) = run(receiver, clock, 20.0)
    assert isinstance(fault, SilentError)
    assert "no sentence for 5 s" in str(fault)


def test_utc_is_given_as_an_offset_also_over_midnight_and_after_a_jump():
    clock = FakeClock(2.0)
    start = datetime(2026, 6, 1, 23, 59, 50, tzinfo=UTC)
    port = FakeReceiver(World(), clock, start_utc=start)
    receiver, _ = listening(port, clock=clock)
    assert receiver.utc_at_zero is None
    run(receiver, clock, 20.0)
    assert abs((receiver.utc_at_zero - start).total_seconds()) < 0.03
    port.start_utc = start - timedelta(seconds=2)  # the leap seconds arrived
    run(receiver, clock, 3.0)
    assert abs((receiver.utc_at_zero - port.start_utc).total_seconds()) < 0.03


def test_a_single_wrong_time_is_not_believed():
    port = Line()
    receiver, clock = listening(port)
    rmc = lambda when: nmea.framed(f"GPRMC,{when},A,4807.0,N,01131.0,E,022.4,084.4,010626,,,A").strip()  # noqa: E731
    for second in range(3):
        say(receiver, clock, port, rmc(f"1200{second:02d}"))
        clock.advance(0.95)
    believed = receiver.utc_at_zero
    say(receiver, clock, port, rmc("170000"))
    assert receiver.utc_at_zero == believed


@pytest.fixture
def terminal():
    """Both ends of a pseudo-terminal: a file to write to, and the path of the device to listen at."""
    ours, theirs = os.openpty()
    tty.setraw(theirs)
    with os.fdopen(ours, "wb", buffering=0) as file:
        yield file, theirs
    os.close(theirs)


def test_a_real_pseudo_terminal(terminal):
    file, theirs = terminal
    port = TtyPort(os.ttyname(theirs))
    clock = FakeClock(1.0)
    receiver = GnssReceiver(port, baud=38400)
    receiver.start(clock())
    world = World(velocity_mps=(12.0, 0.0, 0.0))
    samples = []
    for epoch in range(20):
        clock.advance(0.2)
        samples += receiver.poll(clock())
        file.write(epoch_sentences(world, datetime(2026, 6, 1, 12, 0, epoch, tzinfo=UTC)))
        assert select.select([theirs], [], [], 5.0)[0]  # the kernel delivers it after some time
    assert len([s for s in samples if isinstance(s, GnssPos)]) >= 15
    assert samples[0].t_s > 1.0
    file.close()
    _, faults = run(receiver, clock, 10.0)
    assert isinstance(faults[-1], UnavailableError)
    assert "has disappeared" in str(faults[-1])
    port.close()


def test_a_port_that_does_not_exist():
    clock = FakeClock()
    receiver = GnssReceiver(TtyPort("/dev/no-such-port"))
    receiver.start(0.0)
    _, (fault,) = run(receiver, clock, 1.0)
    assert isinstance(fault, UnavailableError)
    assert "/dev/no-such-port" in str(fault)
    assert "dialout" in str(fault)
