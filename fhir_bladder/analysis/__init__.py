"""Room `analysis`: views, tables, report; reads receipts as data. May import mapping, measurement, fhirpath.

views.compile(view).rows(resource)      a ViewDefinition as a fast function
table(paths, "exams", "exams.csv")      one tidy table with what belongs beside it
report(paths, ...)                      one self-contained HTML page
"""

from __future__ import annotations
