"""Room `measurement`: volumes and surfaces of spheres and ellipsoids, as floats. Imports nothing of ours.

Units everywhere: cm, cm2, mL (= cm3). Floats live here and in `mass` only; records keep exact decimals.
"""

from __future__ import annotations

from math import cbrt, isfinite, pi, sqrt

ELLIPSOID = pi / 6
"""Coefficient of the ellipsoid, V = π/6 · L · W · H (geometry)."""

_SPHERE = cbrt(36 * pi)
_TOLERANCE = 1e-16 ** (1 / 6)  # a series to order 5 then errs by about 1e-16


def _positive(**values: float) -> None:
    for name, value in values.items():
        if not (value > 0 and isfinite(value)):
            raise ValueError(f"{name} must be above 0 and finite, not {value}")


def ellipsoid_volume(length: float, width: float, height: float, *, coefficient: float) -> float:
    """Volume in mL from three diameters in cm: V = k · L · W · H.

    The coefficient must be stated: π/6 for an ellipsoid, while 0.5 to 1.0 is in use (Nwosu 1998, as summarised by
    EBM guidelines, seen; Bih 1998, from memory), which alone moves the answer by up to 44 %. ValueError unless all
    are above 0.
    """
    _positive(length=length, width=width, height=height, coefficient=coefficient)
    return coefficient * length * width * height


def ellipsoid_surface(length: float, width: float, height: float) -> float:
    """Exact surface in cm2 of the ellipsoid with these diameters in cm.

    A = 4π · R_G(a²b², a²c², b²c²) with semi-axes a, b, c (Carlson's symmetric integral; DLMF 19.33.1). It belongs to
    volumes computed with coefficient π/6 only. ValueError unless all are above 0.
    """
    _positive(length=length, width=width, height=height)
    scale = max(length, width, height) / 2
    a, b, c = length / 2 / scale, width / 2 / scale, height / 2 / scale
    return 4 * pi * scale * scale * carlson_rg(a * a * b * b, a * a * c * c, b * b * c * c)


def carlson_rg(x: float, y: float, z: float) -> float:
    """Carlson's R_G(x, y, z) for x, y, z ≥ 0, at most one of them 0 (DLMF 19.16.3, 19.21.10).

    The middle value takes the place of z, so that every term of 2 R_G = z R_F − (x−z)(y−z) R_D / 3 + √(xy/z) is at
    least 0 and nothing cancels. ValueError otherwise.
    """
    low, middle, high = sorted((x, y, z))
    if low < 0 or not (middle > 0 and isfinite(high)):
        raise ValueError(f"R_G needs numbers of at least 0, at most one of them 0, not {x}, {y}, {z}")
    return 0.5 * (
        middle * carlson_rf(low, high, middle)
        + (middle - low) * (high - middle) * carlson_rd(low, high, middle) / 3
        + sqrt(low * high / middle)
    )


def carlson_rf(x: float, y: float, z: float) -> float:
    """Carlson's R_F(x, y, z), x, y, z ≥ 0, at most one 0: duplication, then the series to order 5 (DLMF 19.36.1)."""
    mean = (x + y + z) / 3
    deviation = max(abs(mean - x), abs(mean - y), abs(mean - z))
    scale, dx, dy = 1.0, mean - x, mean - y
    while deviation * scale > _TOLERANCE * mean:
        step = sqrt(x) * (sqrt(y) + sqrt(z)) + sqrt(y) * sqrt(z)
        x, y, z, mean, scale = (x + step) / 4, (y + step) / 4, (z + step) / 4, (mean + step) / 4, scale / 4
    ex, ey = dx * scale / mean, dy * scale / mean
    ez = -(ex + ey)
    e2, e3 = ex * ey - ez * ez, ex * ey * ez
    return (1 - e2 / 10 + e3 / 14 + e2 * e2 / 24 - 3 * e2 * e3 / 44) / sqrt(mean)


def carlson_rd(x: float, y: float, z: float) -> float:
    """Carlson's R_D(x, y, z), x, y ≥ 0 (at most one 0), z > 0: duplication, series to order 5 (DLMF 19.36.2)."""
    mean = (x + y + 3 * z) / 5
    deviation = max(abs(mean - x), abs(mean - y), abs(mean - z))
    scale, dx, dy, total = 1.0, mean - x, mean - y, 0.0
    while deviation * scale > _TOLERANCE * mean / 2:
        step = sqrt(x) * (sqrt(y) + sqrt(z)) + sqrt(y) * sqrt(z)
        total += scale / (sqrt(z) * (z + step))
        x, y, z, mean, scale = (x + step) / 4, (y + step) / 4, (z + step) / 4, (mean + step) / 4, scale / 4
    ex, ey = dx * scale / mean, dy * scale / mean
    ez = -(ex + ey) / 3
    e2, e3 = ex * ey - 6 * ez * ez, (3 * ex * ey - 8 * ez * ez) * ez
    e4, e5 = 3 * (ex * ey - ez * ez) * ez * ez, ex * ey * ez**3
    series = 1 - 3 * e2 / 14 + e3 / 6 + 9 * e2 * e2 / 88 - 3 * e4 / 22 - 9 * e2 * e3 / 52 + 3 * e5 / 26
    return scale * series / (mean * sqrt(mean)) + 3 * total


def sphere_radius(volume: float) -> float:
    """Radius in cm of the sphere of this volume in mL: R = (3V / 4π)^(1/3) (F1, geometry). ValueError unless > 0."""
    _positive(volume=volume)
    return cbrt(3 * volume / (4 * pi))


def sphere_area(volume: float) -> float:
    """Surface in cm2 of the sphere of this volume in mL: A = (36π)^(1/3) · V^(2/3) (F2, geometry).

    It is also the least surface of any body of that volume (isoperimetric theorem). ValueError unless > 0.
    """
    _positive(volume=volume)
    root = cbrt(volume)
    return _SPHERE * root * root


def sphericity(volume: float, area: float) -> float:
    """ψ = (36π)^(1/3) · V^(2/3) / A, without unit, from mL and cm2: 1 for a sphere, less for any other closed body.

    Above 1 beyond rounding the area is not that of a closed surface around the volume (isoperimetric theorem).
    ValueError unless both are above 0.
    """
    _positive(area=area)
    return sphere_area(volume) / area
