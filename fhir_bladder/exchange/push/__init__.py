"""Room `exchange`: records into the outbox and from there to a server, each exactly once."""
