"""Room `analysis`: `report --text`, where callers look for it; the words are made in `report.text`."""

from __future__ import annotations

from fhir_bladder.analysis.report.text import line, lines, sentence

__all__ = ["line", "lines", "sentence"]
