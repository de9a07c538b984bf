"""Vectors and the matrices that turn them: the bench's only way to pose a dish."""

from math import atan2, cos, degrees, hypot, radians, sin, sqrt

Vector = tuple[float, float, float]
Matrix = tuple[Vector, Vector, Vector]


def matrix_about(axis: Vector, angle_deg: float) -> Matrix:
    """Return the matrix that turns vectors about a unit `axis`, right-handed (Rodrigues)."""
    x, y, z = axis
    c, s = cos(radians(angle_deg)), sin(radians(angle_deg))
    t = 1 - c
    return (
        (t * x * x + c, t * x * y - s * z, t * x * z + s * y),
        (t * x * y + s * z, t * y * y + c, t * y * z - s * x),
        (t * x * z - s * y, t * y * z + s * x, t * z * z + c),
    )


def turned(matrix: Matrix, v: Vector) -> Vector:
    """Return `v` turned by `matrix`."""
    (a, b, c), (d, e, f), (g, h, i) = matrix
    x, y, z = v
    return (a * x + b * y + c * z, d * x + e * y + f * z, g * x + h * y + i * z)


def cross(a: Vector, b: Vector) -> Vector:
    """Return the vector product."""
    return (a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0])


def dot(a: Vector, b: Vector) -> float:
    """Return the scalar product."""
    return a[0] * b[0] + a[1] * b[1] + a[2] * b[2]


def blend(*parts: tuple[float, Vector]) -> Vector:
    """Return the sum of vectors, each times its weight."""
    return (
        sum(w * v[0] for w, v in parts),
        sum(w * v[1] for w, v in parts),
        sum(w * v[2] for w, v in parts),
    )


def unit(v: Vector) -> Vector:
    """Return `v` with length one."""
    length = sqrt(dot(v, v))
    return (v[0] / length, v[1] / length, v[2] / length)


def distance(a: Vector, b: Vector) -> float:
    """Return how far two points stand apart."""
    return sqrt((a[0] - b[0]) ** 2 + (a[1] - b[1]) ** 2 + (a[2] - b[2]) ** 2)


def angle_deg(a: Vector, b: Vector) -> float:
    """Return the angle between two vectors; exact for small angles as well."""
    n = cross(a, b)
    return degrees(atan2(hypot(*n), dot(a, b)))
