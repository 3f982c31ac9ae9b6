"""A bus that answers arbitrary bytes for any chip."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from drivers.registry import CHIPS


class Babble:
    """Acknowledges everything and answers with given bytes, except for known registers."""

    name = "babble"

    def __init__(self, say: Callable[[int], bytes], always: Mapping[int, int]) -> None:
        self._say = say
        self.registers = dict(always)

    def write(self, address: int, data: bytes) -> None:  # noqa: ARG002  (see Bus)
        """A register written is read back."""
        for offset, value in enumerate(data[1:]):
            self.registers[data[0] + offset] = value

    def read(self, address: int, length: int) -> bytes:  # noqa: ARG002  (see Bus)
        """The given number of bytes."""
        return self._say(length)

    def write_read(self, address: int, data: bytes, length: int) -> bytes:
        """The given number of bytes, except for known registers."""
        answer = bytearray(self.read(address, length))
        for offset in range(length):
            answer[offset] = self.registers.get(data[0] + offset, answer[offset])
        return bytes(answer)

    def recover(self) -> None:
        """Nothing to do."""

    def close(self) -> None:
        """Nothing to close."""


_STATUS: Mapping[str, Mapping[int, int]] = {
    "BMP388": {0x02: 0},
    "BMP390": {0x02: 0},
    "BMP581": {0x28: 0x02, 0x27: 0x01},
    "MPU-6050": {0x3A: 1},
    "MPU-6500": {0x3A: 1},
    "MPU-9250": {0x3A: 1},
    "ICM-20948": {0x1A: 1},
    "LSM6DSO": {0x1E: 3},
    "LSM6DSOX": {0x1E: 3},
}
"""Status registers: no error, and new data always ready."""


def identity_of(name: str) -> dict[int, int]:
    """The registers with which a driver passes its identification and reaches its data."""
    registers = dict(_STATUS.get(name, {}))
    identity = CHIPS[name].identity
    if identity is not None:
        for offset, byte in enumerate(identity.value.to_bytes(identity.length, "big")):
            registers[identity.register + offset] = byte
    return registers
