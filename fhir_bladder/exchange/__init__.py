"""Room `exchange`: HTTP client, credentials, outbox, push, pull, bulk export. May import mapping, conformance."""
