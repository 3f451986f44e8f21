"""fhir-bladder: bladder-ultrasound exam records to checked HL7 FHIR R4 and back. The public library functions."""

from __future__ import annotations

__version__ = "0.1.0"
