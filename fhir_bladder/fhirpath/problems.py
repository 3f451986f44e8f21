"""Room `fhirpath`: the two errors of its own. Unsupported constructs raise `errors.UnsupportedError`."""

from __future__ import annotations

from fhir_bladder.errors import BladderError, ConfigError


class ExpressionError(ConfigError):
    """The text is not FHIRPath: `where` holds the place in the expression."""


class EvaluationError(BladderError):
    """The standard gives the expression no result on these data (several items where one is asked, wrong types)."""
