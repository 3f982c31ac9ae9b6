"""Rotations between frames of axes, as plain tuples, which are faster than small arrays."""

from __future__ import annotations

import math

Vector = tuple[float, float, float]
Matrix = tuple[Vector, Vector, Vector]


def b_from_s(roll_rad: float, pitch_rad: float, yaw_rad: float) -> Matrix:
    """Matrix that turns a vector in sensor axes into body axes.

    The angles are the mounting of the sensor in the body: yaw, then pitch, then roll (the aerospace sequence
    z-y-x), each positive as for an aircraft.
    """
    cr, sr = math.cos(roll_rad), math.sin(roll_rad)
    cp, sp = math.cos(pitch_rad), math.sin(pitch_rad)
    cy, sy = math.cos(yaw_rad), math.sin(yaw_rad)
    return (
        (cy * cp, cy * sp * sr - sy * cr, cy * sp * cr + sy * sr),
        (sy * cp, sy * sp * sr + cy * cr, sy * sp * cr - cy * sr),
        (-sp, cp * sr, cp * cr),
    )


def rotate(matrix: Matrix, vector: Vector) -> Vector:
    """Matrix times vector."""
    x, y, z = vector
    (a, b, c), (d, e, f), (g, h, i) = matrix
    return a * x + b * y + c * z, d * x + e * y + f * z, g * x + h * y + i * z
