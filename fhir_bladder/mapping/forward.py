"""Room `mapping`: an exam record to FHIR. May import exam, measurement, terminology."""

from __future__ import annotations

from typing import Any

from fhir_bladder.exam import ExamRecord
from fhir_bladder.mapping import bundle, observation
from fhir_bladder.mapping.options import MapOptions

Element = dict[str, Any]

DEFAULT = MapOptions()


class MappedExam:
    """An exam as FHIR. key: the exam key. status: as sent. line: the exam in one line of text.

    `observations`: the exam's own first. `bundle`: the transaction; in it references go by `urn:uuid:` too, so with
    `as_="observations"` it is made apart. Parts are shared between resources and exams: copy before changing.
    """

    __slots__ = (
        "_bundle",
        "_map_sha256",
        "_options",
        "_record",
        "_source_sha256",
        "key",
        "line",
        "observations",
        "status",
    )

    def __init__(self, record: ExamRecord, options: MapOptions, source_sha256: str, map_sha256: str) -> None:
        bundled = options.as_ == "bundles"
        exam = observation.build(record, options, bundled=bundled)
        self.key, self.status, self.line = exam.key, exam.status, exam.line
        self.observations = exam.observations
        self._record, self._options = record, options
        self._source_sha256, self._map_sha256 = source_sha256, map_sha256
        self._bundle = bundle.build(record, exam, options, source_sha256, map_sha256) if bundled else None

    @property
    def bundle(self) -> Element:
        """The transaction Bundle."""
        if self._bundle is None:
            exam = observation.build(self._record, self._options, bundled=True)
            self._bundle = bundle.build(self._record, exam, self._options, self._source_sha256, self._map_sha256)
        return self._bundle

    @property
    def resources(self) -> list[Element]:
        """What `map` writes: the Observations, or the one Bundle."""
        return [self.bundle] if self._options.as_ == "bundles" else self.observations


def to_fhir(
    record: ExamRecord, *, options: MapOptions = DEFAULT, source_sha256: str = "", map_sha256: str = ""
) -> MappedExam:
    """Map a record; never raises on one that the model accepts. Hashes, hexadecimal, go to the Provenance."""
    return MappedExam(record, options, source_sha256, map_sha256)
