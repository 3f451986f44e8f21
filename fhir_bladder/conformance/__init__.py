"""Room `conformance`: R4 definitions, snapshots, compiler, validator, writers of findings. May import terminology, fhirpath."""
