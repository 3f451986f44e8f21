"""Room `fhirpath`: the compiled FHIRPath subset and the general engine behind it. May import errors, wire."""
