"""Room `measurement`: geometry, mass models, calculated values, findings, rules. May import exam."""
