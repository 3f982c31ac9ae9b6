"""The I²C bus of Linux: errors in words, transfers, and an adapter that is plugged in again."""

import errno

import pytest

from drivers.bus import SmBus, error_of
from drivers.errors import BusStuckError, NoAnswerError, UnavailableError
from drivers.fakes import FakeClock, World, fake


@pytest.mark.parametrize(
    ("number", "kind"),
    [
        # Linux, Documentation/i2c/fault-codes.rst.
        (errno.ENXIO, NoAnswerError),
        (errno.EREMOTEIO, NoAnswerError),
        (errno.ETIMEDOUT, BusStuckError),
        (errno.EAGAIN, BusStuckError),
        (errno.EBUSY, BusStuckError),
        (errno.ENODEV, UnavailableError),
        (errno.EPROTO, BusStuckError),
    ],
)
def test_errors_of_the_kernel_are_explained_in_words(number, kind):
    error = error_of(OSError(number, "as the kernel puts it"), "i2c-1", 0x77)
    assert type(error) is kind
    assert "0x77" in str(error)
    assert "i2c-1" in str(error)
    assert error.advice


def test_a_bus_that_does_not_exist_says_what_to_switch_on():
    with pytest.raises(UnavailableError, match=r"/dev/i2c-987 .*raspi-config nonint do_i2c 0"):
        SmBus(987)


class Adapter:
    """A replacement of the device: takes the messages of the driver and fills those that read."""

    def __init__(self, chip):
        self.chip = chip
        self.closed = 0
        self.fault = None

    def transfer(self, prepared):
        if self.fault is not None:
            raise OSError(self.fault, "fault")
        for message in prepared.msgs[: prepared.nmsgs]:
            assert message.addr == 0x48
            if message.flags & 1:  # I2C_M_RD
                for index, byte in enumerate(self.chip.read(message.len)):
                    message.buf[index] = bytes([byte])
            else:
                self.chip.write(bytes(message))

    def close(self):
        self.closed += 1


def test_the_real_bus_sends_and_fetches_by_the_librarys_messages():
    adapter = Adapter(fake("TMP117", World(), FakeClock()))
    opened = []
    bus = SmBus(3, lambda number: opened.append(number) or adapter)
    assert bus.name == "i2c-3"
    assert bus.write_read(0x48, b"\x0f", 2) == b"\x01\x17"
    bus.write(0x48, b"\x07\x12\x34")
    bus.write(0x48, b"\x07")
    assert bus.read(0x48, 2) == b"\x12\x34"
    adapter.fault = errno.EREMOTEIO
    with pytest.raises(NoAnswerError, match="0x48 on i2c-3 does not answer"):
        bus.read(0x48, 1)
    bus.recover()
    assert (opened, adapter.closed) == ([3, 3], 1)
    bus.close()
    bus.close()
    assert adapter.closed == 2


def test_an_adapter_that_went_away_is_opened_again():
    opened = []

    def open_adapter(number):
        opened.append(number)
        return adapter

    adapter = Adapter(fake("TMP117", World(), FakeClock()))
    bus = SmBus(3, open_adapter)
    bus.read(0x48, 2)
    adapter.fault = errno.ENODEV
    with pytest.raises(UnavailableError):
        bus.read(0x48, 2)
    adapter.fault = None
    bus.read(0x48, 2)
    assert opened == [3, 3]
