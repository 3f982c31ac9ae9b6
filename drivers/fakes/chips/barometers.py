"""Fake barometers.

Where the driver compensates, the chip's raw counts are found by searching for those that the formula turns
into the true pressure: the formulas themselves have tests of their own.
"""

from __future__ import annotations

import struct
from collections.abc import Callable

from drivers.chips import bmp3xx, bmp280, dps310, ms56xx
from drivers.fakes.bus import FakeChip, RegisterChip
from drivers.isa import CELSIUS_ZERO_K

PROMS = {
    "MS5611": (0, 40127, 36924, 23317, 23282, 33464, 28312, 0),
    "MS5607": (0, 46372, 43981, 29059, 27842, 31553, 28165, 0),
}
"""The words of the datasheets' examples, without checksum."""


def search(formula: Callable[[int], float], wanted: float, low: int, high: int) -> int:
    """The count between `low` and `high` whose value is nearest below or at `wanted` (monotonic formula)."""
    rising = formula(high) > formula(low)
    while high - low > 1:
        middle = (low + high) // 2
        if (formula(middle) > wanted) == rising:
            high = middle
        else:
            low = middle
    return low


def search_straight(formula: Callable[[int], float], wanted: float, low: int, high: int) -> int:
    """The same for a formula that is linear in the count: only counts beside the straight line are tried."""
    at_low, at_high = formula(low), formula(high)
    share = max(0.0, min(1.0, (wanted - at_low) / (at_high - at_low)))  # 1 for what is not a number
    guess = low + round(share * (high - low))
    return search(formula, wanted, max(low, guess - 2), min(high, guess + 2))


class FakeMs56xx(FakeChip):
    """MS5611 or MS5607 with the constants of its datasheet's example."""

    STANDS_FOR = ("MS5611", "MS5607")
    CONVERSION_S = ms56xx.TYPICAL_S

    def power_on(self) -> None:
        """No conversion is available, and no register is selected."""
        self.prom = list(PROMS[self.spec.name])
        self.prom[7] |= ms56xx.crc4(self.prom)
        self._answer = b""
        self._converting: int | None = None
        self._ready_s = 0.0
        self._d1 = self._d2 = 0
        self._celsius: float | None = None

    def write(self, data: bytes) -> None:
        """A command."""
        command = data[0]
        if command & 0xF0 == ms56xx.PROM:
            self._answer = self.prom[(command & 0x0F) >> 1].to_bytes(2, "big")
        elif command & 0xE0 == 0x40:
            self._converting = command
            self._ready_s = self.clock() + self.CONVERSION_S + self.late_s
            if not self.frozen:
                self._convert(pressure=not command & 0x10)
        elif command == ms56xx.READ_ADC:
            done = self._converting is not None and self.clock() >= self._ready_s
            result = (self._d2 if (self._converting or 0) & 0x10 else self._d1) if done else 0
            self._answer = result.to_bytes(3, "big")
            if done:
                self._converting = None

    def read(self, length: int) -> bytes:
        """The answer to the last command."""
        return self._answer[:length].ljust(length, b"\0")

    def _convert(self, *, pressure: bool) -> None:
        shifts = ms56xx.SHIFTS[self.spec.name]

        def at(d1: int, d2: int) -> ms56xx.Compensated:
            return ms56xx.compensate(shifts, self.prom, d1, d2)

        celsius = self.world.air_k - CELSIUS_ZERO_K
        if celsius != self._celsius:
            self._celsius = celsius
            self._d2 = search(lambda d2: at(0, d2).temp_cdegc, celsius * 100.0, 0, (1 << 24) - 1)
        pressure_pa = self.noisy(self.world.static_pa, "baro")
        if pressure:
            self._d1 = search_straight(lambda d1: at(d1, self._d2).pressure_pa, pressure_pa, 0, (1 << 24) - 1)


class FakeBmp280(RegisterChip):
    """BMP280 or BME280 with the constants of the datasheet's example."""

    STANDS_FOR = ("BMP280", "BME280")
    TRIM = (27504, 26435, -1000, 36477, -10685, 3024, 2855, 140, -7, 15500, -14600, 6000)

    def reset(self) -> None:
        """Constants in place, data at their reset value."""
        raw = struct.pack("<HhhHhhhhhhhh", *self.TRIM)
        self.memory[bmp280.Reg.TRIM : bmp280.Reg.TRIM + 24] = raw
        self.memory[bmp280.Reg.DATA : bmp280.Reg.DATA + 6] = bytes.fromhex("800000800000")
        self._trim = bmp280.Trim.of(raw)

    def written(self, register: int, value: int) -> None:
        """A forced conversion begins; its time follows from the oversampling."""
        if register == bmp280.Reg.RESET and value == bmp280.RESET_WORD:
            self.power_on()
        if register == bmp280.Reg.CTRL_MEAS and value & 3 in {1, 2}:
            times_t, times_p = ((1 << code - 1) if code else 0 for code in (value >> 5, value >> 2 & 7))
            self.memory[bmp280.Reg.STATUS] = bmp280.MEASURING
            self.convert_for((1 + 2 * times_t + 2 * times_p + 0.5) / 1000.0)

    def converted(self) -> None:
        """Counts for the true values."""
        self.memory[bmp280.Reg.STATUS] = 0
        trim, top = self._trim, (1 << 20) - 1
        celsius = self.world.air_k - CELSIUS_ZERO_K
        adc_t = search(lambda n: bmp280.compensate_temperature(trim, n)[0], celsius, 0, top)
        t_fine = bmp280.compensate_temperature(trim, adc_t)[1]
        wanted = self.noisy(self.world.static_pa, "baro")
        adc_p = search(lambda n: bmp280.compensate_pressure(trim, n, t_fine), wanted, 0, top)
        self.store(bmp280.Reg.DATA, (adc_p << 4).to_bytes(3, "big") + (adc_t << 4).to_bytes(3, "big"))


class FakeBmp3xx(RegisterChip):
    """BMP388 or BMP390 with invented constants of the usual size."""

    STANDS_FOR = ("BMP388", "BMP390")
    TRIM = struct.pack(
        "<HHbhhbbHHbbhbb", 27800, 19000, -7, 3277, 15884, 5, 0, 25_000, 2_000, 3, -6, 4000, 9, -20
    )

    def reset(self) -> None:
        """Constants in place."""
        self.memory[bmp3xx.Reg.TRIM : bmp3xx.Reg.TRIM + 21] = self.TRIM

    def written(self, register: int, value: int) -> None:
        """A forced conversion begins."""
        if register == bmp3xx.Reg.CMD and value == bmp3xx.RESET_WORD:
            self.power_on()
        if register == bmp3xx.Reg.PWR_CTRL and value >> 4 & 3 in {1, 2}:
            osr = self.memory[bmp3xx.Reg.OSR]
            self.convert_for((234 + 392 + 163 + 2020 * ((1 << (osr & 7)) + (1 << (osr >> 3)))) * 1e-6)

    def converted(self) -> None:
        """Counts for the true values."""
        trim, top = bmp3xx.Trim.of(self.TRIM), (1 << 24) - 1
        celsius = self.world.air_k - CELSIUS_ZERO_K
        raw_t = search(lambda n: bmp3xx.compensate_temperature(trim, n), celsius, 0, top)
        celsius = bmp3xx.compensate_temperature(trim, raw_t)
        wanted = self.noisy(self.world.static_pa, "baro")
        raw_p = search(lambda n: bmp3xx.compensate_pressure(trim, n, celsius), wanted, 0, top)
        self.memory[bmp3xx.Reg.STATUS] = bmp3xx.READY
        self.store(bmp3xx.Reg.DATA, raw_p.to_bytes(3, "little") + raw_t.to_bytes(3, "little"))

    def was_read(self, register: int, length: int) -> None:
        """Reading the data clears the flags."""
        if register <= bmp3xx.Reg.DATA < register + length:
            self.memory[bmp3xx.Reg.STATUS] = 0


class FakeBmp581(RegisterChip):
    """BMP581."""

    STANDS_FOR = ("BMP581",)
    TIMES_S = (1 / 498, 1 / 374, 1 / 255, 1 / 155, 1 / 87, 1 / 46, 1 / 24, 1 / 12)  # by oversampling

    def reset(self) -> None:
        """Factory memory ready."""
        self.memory[0x28] = 0x02

    def written(self, register: int, value: int) -> None:
        """A forced conversion begins."""
        if register == 0x7E and value == 0xB6:
            self.power_on()
        if register == 0x37 and value & 3 == 2 and self.memory[0x36] & 0x40:
            self.convert_for(self.TIMES_S[self.memory[0x36] >> 3 & 7])

    def converted(self) -> None:
        """Temperature in 1/65536 °C, pressure in 1/64 Pa."""
        self.memory[0x27] |= self.memory[0x15] & 1
        raw_t = round((self.world.air_k - CELSIUS_ZERO_K) * 65536)
        raw_p = round(self.noisy(self.world.static_pa, "baro") * 64)
        self.store(0x1D, (raw_t & 0xFFFFFF).to_bytes(3, "little") + raw_p.to_bytes(3, "little"))

    def was_read(self, register: int, length: int) -> None:
        """Reading the interrupt status clears it."""
        if register <= 0x27 < register + length:
            self.memory[0x27] = 0


class FakeDps310(RegisterChip):
    """DPS310 with invented coefficients of the usual size."""

    STANDS_FOR = ("DPS310",)
    VALUES = ((210, 12), (-260, 12), (80_000, 20), (-55_000, 20), *((v, 16) for v in (-3000, 1200, -9000)))
    LAST = ((100, 16), (-1500, 16))
    TIMES_S = (0.0036, 0.0052, 0.0084, 0.0148, 0.0276, 0.0532, 0.1044, 0.2068)

    def reset(self) -> None:
        """Coefficients packed, everything ready."""
        bits = 0
        for value, width in (*self.VALUES, *self.LAST):
            bits = bits << width | value & (1 << width) - 1
        raw = bits.to_bytes(18, "big")
        self.memory[0x10:0x22] = raw
        self.memory[0x28] = 0x80
        self.memory[0x08] = 0xC0
        self._coefficients = dps310.Coefficients.of(raw)
        self._measuring = 0

    def written(self, register: int, value: int) -> None:
        """A conversion begins."""
        if register == 0x0C and value & 0x0F == 0x09:
            self.power_on()
        if register == 0x08:
            self.memory[0x08] = 0xC0
            self._measuring = value & 7
            if self._measuring in {1, 2}:
                self.convert_for(self.TIMES_S[self.memory[0x06 if self._measuring == 1 else 0x07] & 7])

    def converted(self) -> None:
        """Counts for the true values, at the scale of the oversampling."""
        c = self._coefficients
        scaled_t = (self.world.air_k - CELSIUS_ZERO_K - c.c0 / 2) / c.c1
        if self._measuring == 2:
            raw = round(scaled_t * dps310.SCALE[1 << (self.memory[0x07] & 7)])
            self.memory[0x08] |= 0x20
            self.store(0x03, (raw & 0xFFFFFF).to_bytes(3, "big"))
            return
        scale = dps310.SCALE[1 << (self.memory[0x06] & 7)]
        wanted = self.noisy(self.world.static_pa, "baro")
        raw = search(
            lambda n: dps310.compensate_pressure(c, n / scale, scaled_t), wanted, -(1 << 23), (1 << 23) - 1
        )
        self.memory[0x08] |= 0x10
        self.store(0x00, (raw & 0xFFFFFF).to_bytes(3, "big"))


class FakeLps22hb(RegisterChip):
    """LPS22HB."""

    STANDS_FOR = ("LPS22HB",)
    CONVERSION_S = 0.0125

    def written(self, register: int, value: int) -> None:
        """A single conversion begins."""
        if register == 0x11:
            if value & 0x04:
                self.power_on()
            elif value & 0x01:
                self.convert_for(self.CONVERSION_S)

    def converted(self) -> None:
        """4096 counts a hectopascal, 100 a degree."""
        raw_p = round(self.noisy(self.world.static_pa, "baro") / 100 * 4096)
        raw_t = round((self.world.air_k - CELSIUS_ZERO_K) * 100)
        self.memory[0x27] = 0x03
        self.store(0x28, raw_p.to_bytes(3, "little") + (raw_t & 0xFFFF).to_bytes(2, "little"))

    def was_read(self, register: int, length: int) -> None:
        """Reading the pressure clears the flag."""
        if register <= 0x2A < register + length:
            self.memory[0x27] = 0
