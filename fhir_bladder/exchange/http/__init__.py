"""Room `exchange`: one call to a FHIR server: client, deadlines, limits, retries, where credentials may go."""
