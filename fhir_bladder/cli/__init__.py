"""Room `cli`: click commands, one module a verb; the only place that prints or exits. May import anything."""
