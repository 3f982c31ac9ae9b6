"""Rotations for the simulator, on plain floats: one attitude is updated a hundred times per second.

A quaternion is `(w, x, y, z)` of nav_from_body; the nav frame is north, east, down. A matrix is a tuple of
its nine elements by rows. Euler angles are heading, pitch and bank, rad, in the aerospace order (yaw, pitch,
roll).
"""

from __future__ import annotations

import math

Vector = tuple[float, float, float]
Quaternion = tuple[float, float, float, float]
Matrix = tuple[float, float, float, float, float, float, float, float, float]


def from_euler(heading_rad: float, pitch_rad: float, bank_rad: float) -> Quaternion:
    """Quaternion of a heading, pitch and bank."""
    cy, sy = math.cos(heading_rad / 2), math.sin(heading_rad / 2)
    cp, sp = math.cos(pitch_rad / 2), math.sin(pitch_rad / 2)
    cr, sr = math.cos(bank_rad / 2), math.sin(bank_rad / 2)
    return (
        cr * cp * cy + sr * sp * sy,
        sr * cp * cy - cr * sp * sy,
        cr * sp * cy + sr * cp * sy,
        cr * cp * sy - sr * sp * cy,
    )


def turned(q: Quaternion, rate_radps: Vector, dt_s: float) -> Quaternion:
    """`q` after `dt_s` with a constant body rate: the exact solution, normalised against rounding."""
    x, y, z = rate_radps
    speed = math.sqrt(x * x + y * y + z * z)
    half = 0.5 * speed * dt_s
    s = math.sin(half) / speed if speed > 1e-12 else 0.5 * dt_s
    dw, dx, dy, dz = math.cos(half), x * s, y * s, z * s
    w, i, j, k = q
    nw = w * dw - i * dx - j * dy - k * dz
    ni = w * dx + i * dw + j * dz - k * dy
    nj = w * dy - i * dz + j * dw + k * dx
    nk = w * dz + i * dy - j * dx + k * dw
    scale = 1.0 / math.sqrt(nw * nw + ni * ni + nj * nj + nk * nk)
    return (nw * scale, ni * scale, nj * scale, nk * scale)


def matrix(q: Quaternion) -> Matrix:
    """nav_from_body as a matrix, nine elements by rows."""
    w, x, y, z = q
    return (
        1 - 2 * (y * y + z * z),
        2 * (x * y - w * z),
        2 * (x * z + w * y),
        2 * (x * y + w * z),
        1 - 2 * (x * x + z * z),
        2 * (y * z - w * x),
        2 * (x * z - w * y),
        2 * (y * z + w * x),
        1 - 2 * (x * x + y * y),
    )


def apply(m: Matrix, v: Vector) -> Vector:
    """Matrix times vector: body axes to nav axes."""
    x, y, z = v
    return (
        m[0] * x + m[1] * y + m[2] * z,
        m[3] * x + m[4] * y + m[5] * z,
        m[6] * x + m[7] * y + m[8] * z,
    )


def apply_inverse(m: Matrix, v: Vector) -> Vector:
    """Transposed matrix times vector: nav axes to body axes."""
    x, y, z = v
    return (
        m[0] * x + m[3] * y + m[6] * z,
        m[1] * x + m[4] * y + m[7] * z,
        m[2] * x + m[5] * y + m[8] * z,
    )


def euler(m: Matrix) -> Vector:
    """Heading (0 to 2 pi), pitch and bank of a matrix, rad."""
    heading = math.atan2(m[3], m[0]) % math.tau
    return heading, math.asin(max(-1.0, min(1.0, -m[6]))), math.atan2(m[7], m[8])
