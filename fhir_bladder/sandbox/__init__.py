"""Room `sandbox`: the embedded test server and fault injection, for cli and tests only. May import anything."""
