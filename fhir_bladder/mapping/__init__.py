"""Room `mapping`: exam record to FHIR and back, keys, bundles. May import exam, measurement, terminology."""
