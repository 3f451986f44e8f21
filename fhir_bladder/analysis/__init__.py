"""Room `analysis`: views to tables, statistics, report, Spark job. May import mapping, measurement, fhirpath."""
