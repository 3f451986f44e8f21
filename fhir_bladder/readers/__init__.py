"""Room `readers`: files to exam records (JSON, NDJSON, sheets, HL7 v2). May import exam."""

from __future__ import annotations

from fhir_bladder.readers.items import ReadItem, ReadOptions
from fhir_bladder.readers.reading import read

__all__ = ["ReadItem", "ReadOptions", "read"]
