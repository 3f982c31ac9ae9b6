"""A GNSS receiver on a fake line for tests."""

from drivers.errors import SensorError
from drivers.fakes import FakeClock
from drivers.gnss import GnssReceiver

# Sentences printed in many descriptions of NMEA 0183, with their checksums.
GGA = "$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47"
RMC = "$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A"
VTG = "$GPVTG,054.7,T,034.4,M,005.5,N,010.2,K*48"
GSA = "$GPGSA,A,3,04,05,,09,12,,,24,,,,,2.5,1.3,2.1*39"
NO_FIX = "$GPRMC,,V,,,,,,,,,,N*53"


class Line:
    """A line with the bytes of a test, at any baud rate."""

    name = "test line"

    def __init__(self):
        self.waiting = b""

    def set_baud(self, _baud):
        self.waiting = b""

    def read(self):
        data, self.waiting = self.waiting, b""
        return data

    def close(self):
        pass


def listening(port, *, clock=None, **options):
    """A receiver after its set-up, and its clock."""
    clock = clock or FakeClock(10.0)
    receiver = GnssReceiver(port, **options)
    receiver.start(clock())
    while not receiver.running:
        clock.now_s = max(clock.now_s, receiver.due_s)
        if isinstance(port, Line):
            port.waiting += (GSA + "\r\n").encode()
        receiver.poll(clock())
    return receiver, clock


def run(receiver, clock, seconds):
    samples, faults = [], []
    until_s = clock() + seconds
    while receiver.due_s <= until_s:
        clock.now_s = max(clock.now_s, receiver.due_s)
        try:
            samples += receiver.poll(clock())
        except SensorError as error:
            faults.append(error)
    clock.now_s = max(clock.now_s, until_s)
    return samples, faults


def say(receiver, clock, port, *sentences):
    """The samples from some sentences that arrive now."""
    port.waiting += "".join(f"{one}\r\n" for one in sentences).encode()
    return run(receiver, clock, 0.05)[0]
