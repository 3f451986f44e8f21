"""The exam's status out of those of its parts."""

from __future__ import annotations

import pytest

from fhir_bladder.readers.v2_status import OBR_STATUS, OBX_STATUS, exam_status


@pytest.mark.parametrize(
    ("obx", "obr", "status"),
    [
        ("F", "", "final"), ("FF", "F", "final"), ("FP", "F", "preliminary"), ("FR", "", "preliminary"),
        ("FC", "", "corrected"), ("FCP", "", "corrected"), ("FA", "", "amended"), ("AC", "", "corrected"),
        ("D", "F", "entered-in-error"), ("DW", "", "entered-in-error"), ("FD", "F", "corrected"),
        ("DX", "", "corrected"),
        ("X", "", "cancelled"), ("XF", "", "final"), ("XX", "F", "cancelled"),
        ("", "F", "final"), ("", "P", "preliminary"), ("", "", ""), ("F", "P", "preliminary"), ("F", "C", "corrected"),
        ("F", "A", "preliminary"), ("P", "F", "preliminary"), ("C", "P", "corrected"), ("F", "?", "final"),
    ],
)  # fmt: skip
def test_status(obx: str, obr: str, status: str) -> None:
    assert exam_status([OBX_STATUS[code] for code in obx], obr) == status


def test_targets_of_the_published_map() -> None:
    """v2-to-FHIR 1.0.0, segment map OBX (OBX-11) and OBR (OBR-25), the rows that have a target."""
    published = {"A": "amended", "C": "corrected", "D": "entered-in-error", "F": "final", "P": "preliminary",
                 "W": "entered-in-error", "X": "cancelled"}  # fmt: skip
    assert {code: OBX_STATUS[code] for code in published} == published
    # DiagnosticReport `registered` and `partial` have no counterpart in the record: preliminary
    report = {"P": "preliminary", "C": "corrected", "F": "final", "X": "cancelled"}
    assert {code: OBR_STATUS[code] for code in report} == report
