"""How the library is used, for the type checker alone; never run."""

from __future__ import annotations

from typing import assert_type

import fhir_bladder
from fhir_bladder.errors import Finding
from fhir_bladder.exam import ExamRecord
from fhir_bladder.exchange.push.engine import Summary
from fhir_bladder.mapping import MapOptions, MappedExam


def use(record: dict[str, object]) -> None:
    assert_type(fhir_bladder.load(record), ExamRecord)
    mapped = fhir_bladder.map(record, options=MapOptions(shape="single"))
    assert_type(mapped, MappedExam)
    assert_type(fhir_bladder.validate(mapped.bundle), list[Finding])
    for back in fhir_bladder.unmap(mapped.observations):
        assert_type(fhir_bladder.map(back), MappedExam)
    for found in fhir_bladder.check([record]):
        print(found.message)
    assert_type(fhir_bladder.push([record], "https://records.example/fhir", outbox="outbox.db"), Summary)
