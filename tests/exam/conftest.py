"""Shared by the exam tests: the example of the record format, and what hypothesis builds."""

from __future__ import annotations

import copy
from typing import Any

import pytest

from fhir_bladder import wire

EXAMPLE = wire.loads(b"""
{"record_version":"1","exam_number":"2026-00417","device":{"serial":"LK-0093","software_version":"2.4"},
 "patient":{"identifiers":[{"system":"https://records.example/mrn","value":"700-431","type":"MR"}],"birth_date":"1951-03-09"},
 "started_at":"2026-11-18T10:42:00+00:00","uterus_present":false,"void_state":"post-void","void_attempt":"voided",
 "voided_at":"2026-11-18T10:35:00+00:00","voided_volume":{"value":260,"unit":"mL"},"void_measured":true,"position":"supine",
 "scans":[{"scan_number":1,"volume":{"value":171,"unit":"mL"},"centring":"partly-centred","off_centre_towards":["left"],"pubic_shadow":true},
          {"scan_number":2,"volume":{"value":186,"unit":"mL"},"centring":"centred","pubic_shadow":false}],
 "reported_scan":2,"choice_rule":"operator",
 "wall":{"scan_number":2,"layer":"whole-wall","thickness":{"value":2.40,"unit":"mm"},"surface_area":{"value":164,"unit":"cm2"}},
 "verified":{"by":"operator 12","at":"2026-11-18T10:44:00+00:00","note":"second scan better centred"},"synthetic":true}
""")


@pytest.fixture
def example() -> dict[str, Any]:
    """The example record of the format's description, free to change."""
    return copy.deepcopy(EXAMPLE)
