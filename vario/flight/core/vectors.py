"""Vectors of three floats and their rotations, as plain tuples: faster than small arrays."""

from __future__ import annotations

import math

Vector = tuple[float, float, float]
Matrix = tuple[Vector, Vector, Vector]


def turn(vector: Vector, x_rad: float, y_rad: float, z_rad: float) -> Vector:
    """A fixed vector in axes that have turned by a small rotation vector (Rodrigues, 4th order)."""
    a, b, c = vector
    angle2 = x_rad * x_rad + y_rad * y_rad + z_rad * z_rad
    s = 1.0 - angle2 / 6.0
    k = 0.5 - angle2 / 24.0
    # u = v × θ, and v' = v + s u + k u × θ
    ux, uy, uz = b * z_rad - c * y_rad, c * x_rad - a * z_rad, a * y_rad - b * x_rad
    return (
        a + s * ux + k * (uy * z_rad - uz * y_rad),
        b + s * uy + k * (uz * x_rad - ux * z_rad),
        c + s * uz + k * (ux * y_rad - uy * x_rad),
    )


def rotation(x_rad: float, y_rad: float, z_rad: float) -> list[float]:
    """The matrix of `turn`, row by row."""
    angle2 = x_rad * x_rad + y_rad * y_rad + z_rad * z_rad
    s = 1.0 - angle2 / 6.0
    k = 0.5 - angle2 / 24.0
    same = 1.0 - k * angle2
    xy, xz, yz = k * x_rad * y_rad, k * x_rad * z_rad, k * y_rad * z_rad
    sx, sy, sz = s * x_rad, s * y_rad, s * z_rad
    return [
        *(same + k * x_rad * x_rad, xy + sz, xz - sy),
        *(xy - sz, same + k * y_rad * y_rad, yz + sx),
        *(xz + sy, yz - sx, same + k * z_rad * z_rad),
    ]


def cross(a: Vector, b: Vector) -> Vector:
    """Vector product."""
    return (a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0])


def level(down: Vector, vector: Vector) -> Vector:
    """The unit vector along the horizontal part of a vector."""
    dx, dy, dz = down
    x, y, z = vector
    low = dx * x + dy * y + dz * z
    x, y, z = x - dx * low, y - dy * low, z - dz * low
    size = math.sqrt(x * x + y * y + z * z)
    if size > 1e-6:
        return (x / size, y / size, z / size)
    # The vector is vertical or zero, or a number is not finite: any horizontal direction will do.
    size = math.hypot(dy, dz)
    return (0.0, dz / size, -dy / size) if size > 1e-6 else (0.0, 1.0, 0.0)


def dot(a: Vector, b: Vector) -> float:
    """Scalar product."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


def size(vector: Vector) -> float:
    """Length of a vector."""
    return math.sqrt(vector[0] ** 2 + vector[1] ** 2 + vector[2] ** 2)


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
