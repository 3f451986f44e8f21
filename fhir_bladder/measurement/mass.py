"""Room `measurement`: models of the wall's mass and thickness. Imports geometry only.

Units: mL, cm2, mm, g, g/mL. Two models of one bladder differ by 3 to 16 %: never trend two in one line.
Models: area × thickness (Chalana 2005, Rev Urol 7(S6):S22–S28, abstract seen) and sphere shell (Kojima 1997, J Urol
157:476–479, abstract seen). The density is the caller's; 0.957 g/mL is from memory of one paper (see Settings).
"""

from __future__ import annotations

from decimal import MAX_PREC, Context, Decimal
from math import cbrt, pi, sqrt

from fhir_bladder.measurement.geometry import sphere_area, sphere_radius

_EXACT = Context(prec=MAX_PREC)


def area_thickness_mass(area: Decimal, thickness: Decimal, density: Decimal) -> Decimal:
    """F4: mass in g = density · A · t, from cm2, mm and g/mL; exact, unrounded.

    Chalana 2005: "product of the bladder surface area, bladder wall thickness, and bladder muscle specific gravity"
    (seen). It neglects the curvature and so lies below the mass of any wall of that area and thickness.
    """
    return _EXACT.multiply(density, _EXACT.multiply(area, thickness)).scaleb(-1, _EXACT)


def shell_volume(volume: float, thickness: float) -> float:
    """F3: wall volume in mL of a sphere of this lumen (mL) with the wall (mm) outside.

    (4/3)π[(R+t)³ − R³], expanded to A t + 4πR t² + (4/3)π t³ so that nothing cancels. Model: Kojima 1997 (seen);
    the algebra is geometry. ValueError unless the volume is above 0 and the thickness at least 0.
    """
    radius, area = sphere_radius(volume), sphere_area(volume)
    t = _thickness(thickness) / 10
    return t * (area + t * (4 * pi * radius + t * 4 / 3 * pi))


def shell_mass(volume: float, thickness: float, density: float) -> float:
    """F3: mass in g of the sphere shell, density · wall volume; from mL, mm and g/mL."""
    return density * shell_volume(volume, thickness)


def steiner_volume(area: float, thickness: float) -> float:
    """F7: least wall volume in mL of a uniform wall (mm) around any convex lumen of this surface (cm2).

    W ≥ A t + √(4πA) t² + (4/3)π t³ by Steiner's formula and Minkowski's inequality M ≥ √(4πA), equal for a sphere
    (geometry). ValueError unless the area is above 0 and the thickness at least 0.
    """
    if not area > 0:
        raise ValueError(f"area must be above 0, not {area}")
    t = _thickness(thickness) / 10
    return t * (area + t * (sqrt(4 * pi * area) + t * 4 / 3 * pi))


def steiner_mass(area: float, thickness: float, density: float) -> float:
    """F7: least mass in g of a uniform wall around a convex lumen; from cm2, mm and g/mL."""
    return density * steiner_volume(area, thickness)


def thickness_at(volume: float, thickness: float, other_volume: float) -> float:
    """F5: thickness in mm the wall would have at another filling (mL), its own volume constant, lumen a sphere.

    t2 = ∛(3(V2+W)/4π) − R2. A model's output: thickness hardly fell with volume in Hakenberg 2000 (Neurourol Urodyn
    19:585, r = −0.12, seen), so it is never put in the place of a measured thickness.
    ValueError unless volumes are above 0 and the thickness at least 0.
    """
    wall = shell_volume(volume, thickness)
    radius = sphere_radius(other_volume)
    outer = cbrt(3 * (other_volume + wall) / (4 * pi))
    # (outer³ − radius³) / (outer² + outer·radius + radius²), since the plain difference cancels for thin walls.
    return 10 * (3 * wall / (4 * pi)) / (outer * outer + outer * radius + radius * radius)


def thickness_at_thin(volume: float, thickness: float, other_volume: float) -> float:
    """F6: the same for a thin wall, t2 = t1 · (V1/V2)^(2/3) (geometry). ValueError as `thickness_at`."""
    ratio = sphere_radius(volume) / sphere_radius(other_volume)
    return _thickness(thickness) * ratio * ratio


def _thickness(value: float) -> float:
    if not 0 <= value < float("inf"):
        raise ValueError(f"thickness must be at least 0 and finite, not {value}")
    return value
