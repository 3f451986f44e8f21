"""Volumes and surfaces against check values, closed forms and scipy."""

from __future__ import annotations

import math
from decimal import Decimal, localcontext
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from fhir_bladder.measurement import geometry

special = pytest.importorskip("scipy.special", reason="scipy is the judge here (extra `stats`)")

lengths = st.floats(0.01, 100)
volumes = st.floats(1e-3, 1e4)


def near(value: float, printed: float) -> bool:
    """Equal to the digits printed in the check file (6 decimals)."""
    return abs(value - printed) <= 0.5000001e-6 * max(1.0, 10 ** (len(str(int(abs(printed)))) - 9))


def test_sphere(checks: dict[str, Any]) -> None:
    for case in checks["sphere"]["cases"]:
        assert near(geometry.sphere_radius(case["V_mL"]), case["R_cm"])
        assert near(geometry.sphere_area(case["V_mL"]), case["A_cm2"])


def test_ellipsoid(checks: dict[str, Any]) -> None:
    for case in checks["ellipsoid"]["cases"]:
        length, width, height = case["LWH_cm"]
        volume = geometry.ellipsoid_volume(length, width, height, coefficient=geometry.ELLIPSOID)
        area = geometry.ellipsoid_surface(length, width, height)
        assert near(volume, case["V_mL"])
        assert near(area, case["A_cm2"])
        assert near(geometry.sphericity(volume, area), case["sphericity"])


def test_volume_from_diameters_with_each_coefficient(checks: dict[str, Any]) -> None:
    for case in checks["diameters"]["cases"]:
        coefficient = geometry.ELLIPSOID if case["coefficient"] == "pi/6" else case["coefficient"]
        assert geometry.ellipsoid_volume(*case["LWH_cm"], coefficient=coefficient) == pytest.approx(
            case["V_mL"], abs=5.1e-5
        )


def test_spheroids_by_closed_form(checks: dict[str, Any]) -> None:
    for case in checks["spheroid"]["cases"]:
        diameters = [2 * axis for axis in case["semi_axes_cm"]]
        assert geometry.ellipsoid_surface(*diameters) == pytest.approx(case["A_cm2"], rel=1e-14, abs=0)


@pytest.mark.parametrize("ratio", [1.0001, 1.5, 3, 50, 1e4])
def test_prolate_and_oblate_closed_forms(ratio: float) -> None:
    a, c = 2.0, 2.0 * ratio
    e = math.sqrt(1 - (a / c) ** 2)
    prolate = 2 * math.pi * a * a * (1 + c / (a * e) * math.asin(e))
    assert geometry.ellipsoid_surface(2 * a, 2 * c, 2 * a) == pytest.approx(prolate, rel=1e-10, abs=0)
    oblate = 2 * math.pi * c * c * (1 + (1 - e * e) / e * math.atanh(e))
    assert geometry.ellipsoid_surface(2 * c, 2 * a, 2 * c) == pytest.approx(oblate, rel=1e-10, abs=0)


def test_exact_surface_is_not_thomsens_approximation(checks: dict[str, Any]) -> None:
    case = checks["thomsen"]["cases"][0]
    a, b, c = case["semi_axes_cm"]
    p = 1.6075
    thomsen = 4 * math.pi * (((a * b) ** p + (a * c) ** p + (b * c) ** p) / 3) ** (1 / p)
    assert near(thomsen, case["thomsen_cm2"])
    assert geometry.ellipsoid_surface(2 * a, 2 * b, 2 * c) == pytest.approx(case["exact_cm2"], abs=1e-5)
    assert geometry.ellipsoid_volume(2 * a, 2 * b, 2 * c, coefficient=geometry.ELLIPSOID) == pytest.approx(
        case["V_mL"], abs=1e-6
    )


@given(lengths, lengths, lengths)
def test_surface_agrees_with_scipy_in_two_forms(length: float, width: float, height: float) -> None:
    ours = geometry.ellipsoid_surface(length, width, height)
    a, b, c = sorted((length / 2, width / 2, height / 2), reverse=True)
    carlson = 4 * math.pi * special.elliprg(a * a * b * b, a * a * c * c, b * b * c * c)
    assert ours == pytest.approx(carlson, rel=1e-12, abs=0)
    if c / a > 0.99 or b / c < 1.001 or a / b < 1.001:
        return  # the Legendre form breaks near a = c
    phi = math.acos(c / a)
    m = a * a * (b * b - c * c) / (b * b * (a * a - c * c))
    legendre = 2 * math.pi * c * c + 2 * math.pi * a * b / math.sin(phi) * (
        special.ellipeinc(phi, m) * math.sin(phi) ** 2 + special.ellipkinc(phi, m) * math.cos(phi) ** 2
    )
    assert ours == pytest.approx(legendre, rel=1e-9, abs=0)


@given(*[st.floats(1e-6, 1e6)] * 3)
def test_carlson_integrals_agree_with_scipy(x: float, y: float, z: float) -> None:
    assert geometry.carlson_rf(x, y, z) == pytest.approx(special.elliprf(x, y, z), rel=1e-13, abs=0)
    assert geometry.carlson_rd(x, y, z) == pytest.approx(special.elliprd(x, y, z), rel=1e-13, abs=0)
    assert geometry.carlson_rg(x, y, z) == pytest.approx(special.elliprg(x, y, z), rel=1e-13, abs=0)


@given(st.floats(1e-6, 1e6), st.floats(1e-6, 1e6))
def test_carlson_with_one_zero(x: float, y: float) -> None:
    assert geometry.carlson_rf(0, x, y) == pytest.approx(special.elliprf(0, x, y), rel=1e-13, abs=0)
    assert geometry.carlson_rd(0, x, y) == pytest.approx(special.elliprd(0, x, y), rel=1e-13, abs=0)
    assert geometry.carlson_rg(0, x, y) == pytest.approx(special.elliprg(0, x, y), rel=1e-13, abs=0)


def duplicated(x: float, y: float, z: float) -> tuple[float, float]:
    """R_F and R_D from the duplication theorem alone (DLMF 19.26.18 and .20, numbers from memory), in 40 digits."""
    with localcontext(prec=40):
        a, b, c, scale, total = Decimal(x), Decimal(y), Decimal(z), Decimal(1), Decimal(0)
        while max(a, b, c) - min(a, b, c) > max(a, b, c) / 10**20:
            step = (a * b).sqrt() + (a * c).sqrt() + (b * c).sqrt()
            total += scale / (c.sqrt() * (c + step))
            a, b, c, scale = (a + step) / 4, (b + step) / 4, (c + step) / 4, scale / 4
        mean = (a + b + 3 * c) / 5
        return float(1 / ((a + b + c) / 3).sqrt()), float(scale / (mean * mean.sqrt()) + 3 * total)


@pytest.mark.parametrize("x", [1, 1.0001, 1.0002])
@pytest.mark.parametrize("y", [1, 1.0001, 1.0002])
@pytest.mark.parametrize("z", [1, 1.0001, 1.0002])
def test_series_alone(x: float, y: float, z: float) -> None:
    """So near to each other that we duplicate nothing, and as far apart as that: the series counts as much as ever."""
    rf, rd = duplicated(x, y, z)
    assert geometry.carlson_rf(x, y, z) == pytest.approx(rf, rel=1e-15, abs=0)
    assert geometry.carlson_rd(x, y, z) == pytest.approx(rd, rel=1e-15, abs=0)


@given(*[st.floats(1e-6, 1e6)] * 3)
def test_duplication_and_series_agree_with_duplication_alone(x: float, y: float, z: float) -> None:
    rf, rd = duplicated(x, y, z)
    assert geometry.carlson_rf(x, y, z) == pytest.approx(rf, rel=3e-15, abs=0)
    assert geometry.carlson_rd(x, y, z) == pytest.approx(rd, rel=3e-15, abs=0)


def test_carlson_table() -> None:
    """Values printed in Carlson 1995, Numer. Algorithms 10:13, section 3 (also DLMF 19.36); from memory, high."""
    assert geometry.carlson_rf(1, 2, 0) == pytest.approx(1.3110287771461, abs=5e-14)
    assert geometry.carlson_rf(2, 3, 4) == pytest.approx(0.58408284167715, abs=5e-15)
    assert geometry.carlson_rd(0, 2, 1) == pytest.approx(1.7972103521034, abs=5e-14)
    assert geometry.carlson_rd(2, 3, 4) == pytest.approx(0.16510527294261, abs=5e-15)
    assert geometry.carlson_rg(0, 16, 16) == pytest.approx(math.pi, rel=1e-15, abs=0)
    assert geometry.carlson_rg(2, 3, 4) == pytest.approx(1.7255030280692, abs=5e-14)
    assert geometry.carlson_rg(0, 0.0796, 4) == pytest.approx(1.0284758090288, abs=5e-14)


@given(lengths, lengths, lengths, st.floats(0.1, 10))
def test_surface_symmetric_scaling_and_isoperimetric(a: float, b: float, c: float, k: float) -> None:
    area = geometry.ellipsoid_surface(a, b, c)
    assert geometry.ellipsoid_surface(c, a, b) == pytest.approx(area, rel=1e-13, abs=0)
    assert geometry.ellipsoid_surface(k * a, k * b, k * c) == pytest.approx(k * k * area, rel=1e-12, abs=0)
    volume = geometry.ellipsoid_volume(a, b, c, coefficient=geometry.ELLIPSOID)
    assert geometry.sphericity(volume, area) <= 1 + 1e-12


@given(lengths)
def test_sphere_is_the_ellipsoid_of_equal_diameters(d: float) -> None:
    volume = geometry.ellipsoid_volume(d, d, d, coefficient=geometry.ELLIPSOID)
    assert geometry.sphere_radius(volume) == pytest.approx(d / 2, rel=1e-13, abs=0)
    assert geometry.ellipsoid_surface(d, d, d) == pytest.approx(math.pi * d * d, rel=1e-14, abs=0)
    assert geometry.sphere_area(volume) == pytest.approx(math.pi * d * d, rel=1e-13, abs=0)
    assert geometry.sphericity(volume, math.pi * d * d) == pytest.approx(1, rel=1e-13, abs=0)


@pytest.mark.parametrize("bad", [0.0, -1.0, math.nan, math.inf])
def test_what_no_body_has_is_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="length must be above 0"):
        geometry.ellipsoid_surface(bad, 1, 1)
    with pytest.raises(ValueError, match="height must be above 0"):
        geometry.ellipsoid_surface(1, 1, bad)
    with pytest.raises(ValueError, match="width must be above 0"):
        geometry.ellipsoid_volume(1, bad, 1, coefficient=1)
    with pytest.raises(ValueError, match="coefficient must be above 0"):
        geometry.ellipsoid_volume(1, 1, 1, coefficient=bad)
    with pytest.raises(ValueError, match="volume must be above 0"):
        geometry.sphere_area(bad)
    with pytest.raises(ValueError, match="volume must be above 0"):
        geometry.sphere_radius(bad)
    with pytest.raises(ValueError, match="area must be above 0"):
        geometry.sphericity(1, bad)


def test_rg_refuses_two_zeros_and_negatives() -> None:
    for arguments in [(0, 0, 1), (-1, 1, 1), (1, 1, math.inf)]:
        with pytest.raises(ValueError, match="R_G"):
            geometry.carlson_rg(*arguments)
