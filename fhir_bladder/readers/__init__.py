"""Room `readers`: files to exam records (JSON, NDJSON, sheets, HL7 v2). May import exam."""
