"""One module for each family of chips: register map, compensation and driver."""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

MODULE_OF: Mapping[str, str] = MappingProxyType(
    {
        "BMP280": "bmp280",
        "BME280": "bmp280",
        "BMP388": "bmp3xx",
        "BMP390": "bmp3xx",
        "BMP581": "bmp581",
        "DPS310": "dps310",
        "LPS22HB": "lps22hb",
        "MS5611": "ms56xx",
        "MS5607": "ms56xx",
        "ICM-20948": "icm20948",
        "LSM6DSO": "lsm6dso",
        "LSM6DSOX": "lsm6dso",
        "MPU-6050": "mpu6xxx",
        "MPU-6500": "mpu6xxx",
        "MPU-9250": "mpu6xxx",
        "MS4525DO": "ms4525do",
        "SDP31": "sdp3x",
        "SDP33": "sdp3x",
        "TMP117": "tmp117",
        "INA219": "ina219",
    }
)
"""The module of each chip, by kind and then by module. Only the modules of the fitted chips are imported."""
