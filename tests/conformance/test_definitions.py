# ruff: noqa: E501 - tables of cases read better in one line
"""The shipped definitions: complete, quick to open, made from what `build.py` says; units and codes."""

from __future__ import annotations

import subprocess
import sys
import time
from pathlib import Path

import pytest

from fhir_bladder.conformance import Validator
from fhir_bladder.conformance.definitions import PATH, Definitions
from fhir_bladder.conformance.definitions.build import HASHES
from fhir_bladder.conformance.primitives import valid
from fhir_bladder.conformance.statement import JUDGED


def test_everything_judged_is_there() -> None:
    found = Definitions()
    assert found.index["sources"] == HASHES
    assert set(JUDGED) <= set(found.resource_types()) and len(found.resource_types()) == 148 - 2
    for name in JUDGED:
        structure = found.structure(f"http://hl7.org/fhir/StructureDefinition/{name}")
        assert structure is not None
        for element in structure["snapshot"]["element"]:
            binding = element.get("binding")
            if binding and binding["strength"] == "required":
                assert found.value_set(binding["valueSet"].partition("|")[0]) is not None, element["id"]
    # Medplum's own additions must not have come in (the structures are from the other package)
    meta = found.structure("http://hl7.org/fhir/StructureDefinition/Meta")
    assert meta is not None and not any("account" in e["id"] for e in meta["snapshot"]["element"])


def test_size_and_time() -> None:
    assert PATH.stat().st_size < 1_500_000
    best = min(_opened() for _ in range(5))
    assert best < 0.15, f"{best:.3f} s to open and read Observation"


def _opened() -> float:
    start = time.process_time()
    Definitions().structure("http://hl7.org/fhir/StructureDefinition/Observation")
    return time.process_time() - start


def test_base_verdict_needs_no_general_fhirpath_engine() -> None:
    """Importing fhirpathpy alone costs more than a whole first verdict."""
    code = (
        "import sys; from fhir_bladder.conformance import Validator; v = Validator(local=False);"
        'v.validate(b\'{"resourceType":"Observation","status":"final","code":{"text":"x"}}\');'
        "print('fhirpathpy' in sys.modules, 'pydantic' in sys.modules, 'requests' in sys.modules)"
    )
    root = Path(__file__).parent.parent.parent
    out = subprocess.run([sys.executable, "-c", code], cwd=root, capture_output=True, text=True, check=True)
    assert out.stdout.split() == ["False", "False", "False"]


@pytest.mark.parametrize(
    ("unit", "good"),
    [
        ("mL", True), ("mm", True), ("cm2", True), ("g/mL", True), ("%", True), ("MHz", True), ("min", True), ("1", True),
        ("{score}", True), ("10*3/uL", True), ("[in_i]", True), ("mm[Hg]", True), ("/min", True), ("kg.m/s2", True),
        ("(m.s)/kg", True), ("ug{total}/L", True), ("ml", True), ("ML", True), ("bogus", False), ("cc", False), ("m//s", False),
        ("", False), ("g m", False), ("(m", False), ("m)", False), ("{open", False), ("mcm", False), ("k%", False),
    ],
)  # fmt: skip
def test_units(base: Validator, unit: str, good: bool) -> None:
    """Units of UCUM (the expressions of its section 2 and table 1)."""
    assert base.catalogue.unit(unit) is good


@pytest.mark.parametrize(
    ("kind", "value", "good"),
    [
        # the regular expressions and examples of R4 datatypes.html
        ("date", "2018", True), ("date", "1973-06", True), ("date", "1905-08-23", True), ("date", "2018-13", False),
        ("date", "2023-02-29", False), ("date", "2024-02-29", True), ("date", "0000", False),
        ("dateTime", "2015-02-07T13:28:17-05:00", True), ("dateTime", "2017-01-01T00:00:00.000Z", True),
        ("dateTime", "2017-01-01T00:00:00", False), ("instant", "2015-02-07T13:28:17.239+02:00", True),
        ("instant", "2015-02-07", False), ("time", "13:28:17", True), ("time", "24:00:00", False),
        ("code", "a b", True), ("code", "a  b", False), ("code", "a ", False), ("oid", "urn:oid:1.2.3.4.5", True),
        ("oid", "urn:oid:1.02", False), ("uuid", "urn:uuid:c757873d-ec9a-4326-a141-556f43239520", True),
        ("id", "a.b-C1", True), ("id", "a_b", False), ("positiveInt", 0, False), ("unsignedInt", 0, True),
        ("integer", 2**31, False), ("integer", True, False), ("boolean", 1, False), ("decimal", "1", False),
        ("base64Binary", "QUJD", True), ("base64Binary", "QUJ", False), ("string", "", False), ("uri", "http://a b", False),
    ],
)  # fmt: skip
def test_primitives(kind: str, value: object, good: bool) -> None:
    assert valid(kind, value) is good
