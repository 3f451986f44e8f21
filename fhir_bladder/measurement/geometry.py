"""Room `measurement`: volumes and surfaces of spheres and ellipsoids, as floats. Imports nothing of ours.

Units everywhere: cm, cm2, mL (= cm3). Floats live here and in `mass` only; records keep exact decimals.
"""

from __future__ import annotations

from math import cbrt, isclose, isfinite, pi, sqrt

ELLIPSOID = pi / 6
"""Coefficient of the ellipsoid, V = π/6 · L · W · H (geometry)."""

_SPHERE = cbrt(36 * pi)
_NEAR = 2e-4  # so near to each other, what a series to order 3 leaves out is below 1e-16


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

    A = π · R_G(a²b², a²c², b²c²) with diameters a, b, c (Carlson's symmetric integral; DLMF 19.33.1, where they are
    semi-axes and A is 4π R_G). It belongs to volumes computed with coefficient π/6 only. ValueError unless all are
    above 0.
    """
    _positive(length=length, width=width, height=height)
    scale = max(length, width, height)
    a, b, c = length / scale, width / scale, height / scale
    return pi * scale * scale * carlson_rg(a * a * b * b, a * a * c * c, b * b * c * c)


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
    """Carlson's R_F(x, y, z), x, y, z ≥ 0, at most one 0: duplication, then the series of DLMF 19.36.1 to order 3."""
    while not isclose(min(x, y, z), max(x, y, z), rel_tol=_NEAR):
        step = sqrt(x) * (sqrt(y) + sqrt(z)) + sqrt(y) * sqrt(z)
        x, y, z = (x + step) / 4, (y + step) / 4, (z + step) / 4
    mean = (x + y + z) / 3
    ex, ey = 1 - x / mean, 1 - y / mean
    ez = -(ex + ey)
    e2, e3 = ex * ey - ez * ez, ex * ey * ez
    return (1 - e2 / 10 + e3 / 14) / sqrt(mean)


def carlson_rd(x: float, y: float, z: float) -> float:
    """Carlson's R_D(x, y, z), x, y ≥ 0 (at most one 0), z > 0: duplication, then that of DLMF 19.36.2 to order 3."""
    scale, total = 1.0, 0.0
    while not isclose(min(x, y, z), max(x, y, z), rel_tol=_NEAR):
        step = sqrt(x) * (sqrt(y) + sqrt(z)) + sqrt(y) * sqrt(z)
        total += scale / (sqrt(z) * (z + step))
        x, y, z, scale = (x + step) / 4, (y + step) / 4, (z + step) / 4, scale / 4
    mean = (x + y + 3 * z) / 5
    ex, ey = 1 - x / mean, 1 - y / mean
    ez = -(ex + ey) / 3
    e2, e3 = ex * ey - 6 * ez * ez, (3 * ex * ey - 8 * ez * ez) * ez
    return scale * (1 - 3 * e2 / 14 + e3 / 6) / (mean * sqrt(mean)) + 3 * total


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
