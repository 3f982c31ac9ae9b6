"""A bus that answers anything, in the name of any chip."""

from __future__ import annotations

from collections.abc import Callable, Mapping


class Babble:
    """Acknowledges everything and answers whatever it is given to say, but for registers that are known."""

    name = "babble"

    def __init__(self, say: Callable[[int], bytes], always: Mapping[int, int]) -> None:
        self._say = say
        self.registers = dict(always)

    def write(self, address: int, data: bytes) -> None:  # noqa: ARG002  (see Bus)
        """A register written is read back."""
        for offset, value in enumerate(data[1:]):
            self.registers[data[0] + offset] = value

    def read(self, address: int, length: int) -> bytes:  # noqa: ARG002  (see Bus)
        """So many bytes."""
        return self._say(length)

    def write_read(self, address: int, data: bytes, length: int) -> bytes:
        """So many bytes, but for registers that are known."""
        answer = bytearray(self.read(address, length))
        for offset in range(length):
            answer[offset] = self.registers.get(data[0] + offset, answer[offset])
        return bytes(answer)

    def recover(self) -> None:
        """Nothing is stuck."""

    def close(self) -> None:
        """Nothing to let go of."""


IDENTITY: dict[str, dict[int, int]] = {
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
"""What lets a driver get beyond asking who is there, with new data always ready."""
