"""Room `terminology`: codes read from `profiles/`, the site's code table, UCUM units. May import errors, wire."""
