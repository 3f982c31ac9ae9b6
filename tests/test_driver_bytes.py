"""Whatever bytes a chip answers: a sample that can be, or a typed error."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from drivers.errors import (
    SensorError,
)
from drivers.registry import CHIPS, build
from drivers.samples import CHANNEL_OF, CHANNELS, Baro
from drivers.sensor import NEVER_S


class Babble:
    """A bus that acknowledges everything and answers anything, but with the identity of a chip."""

    name = "babble"

    def __init__(self, data, written):
        self.data = data
        self.registers = dict(written)

    def write(self, _address, data):
        for offset, value in enumerate(data[1:]):
            self.registers[data[0] + offset] = value

    def read(self, _address, length):
        return self.data.draw(st.binary(min_size=length, max_size=length))

    def write_read(self, address, data, length):
        answer = bytearray(self.read(address, length))
        for offset in range(length):
            answer[offset] = self.registers.get(data[0] + offset, answer[offset])
        return bytes(answer)

    def recover(self):
        pass

    def close(self):
        pass


IDENTITY = {
    "BMP280": {0xD0: 0x58},
    "BME280": {0xD0: 0x60},
    "BMP388": {0x00: 0x50, 0x02: 0},
    "BMP390": {0x00: 0x60, 0x02: 0},
    "BMP581": {0x01: 0x50, 0x28: 0x02, 0x27: 0x01},
    "DPS310": {0x0D: 0x10},
    "LPS22HB": {0x0F: 0xB1},
    "MPU-6050": {0x75: 0x68, 0x3A: 1},
    "MPU-6500": {0x75: 0x70, 0x3A: 1},
    "MPU-9250": {0x75: 0x71, 0x3A: 1},
    "ICM-20948": {0x00: 0xEA, 0x1A: 1},
    "LSM6DSO": {0x0F: 0x6C, 0x1E: 3},
    "LSM6DSOX": {0x0F: 0x6C, 0x1E: 3},
    "TMP117": {0x0F: 0x01, 0x10: 0x17},
}


@pytest.mark.parametrize("name", CHIPS)
@given(data=st.data())
@settings(max_examples=60, deadline=None)
def test_whatever_a_chip_answers_it_is_a_possible_sample_or_a_typed_error(name, data):
    bus = Babble(data, IDENTITY.get(name, {}))
    driver = build(name, bus, channels=[*CHIPS[name].channels, *CHIPS[name].extra])
    driver.hear(Baro(0.0, 80_000.0))
    driver.start(0.0)
    for _ in range(12):
        now_s = driver.due_s
        if now_s == NEVER_S:
            break
        samples, fault = (), None
        try:
            samples = driver.poll(now_s)
        except SensorError as error:
            fault = str(error)
        assert fault is None or fault.startswith(name)
        for sample in samples:
            channel = CHANNELS[CHANNEL_OF[type(sample)]]
            for field, (low, high) in channel.limits.items():
                assert low <= getattr(sample, field) <= high
            assert 0.0 <= sample.t_s <= now_s
