"""Room `measurement`: geometry, mass models, calculated values, findings, rules. May import exam."""

from __future__ import annotations

from fhir_bladder.measurement.calculated import Calculated, calculate
from fhir_bladder.measurement.choice import Choice, choose
from fhir_bladder.measurement.findings import findings
from fhir_bladder.measurement.settings import Settings

__all__ = ["Calculated", "Choice", "Settings", "calculate", "choose", "findings"]
