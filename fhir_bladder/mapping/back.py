"""Room `mapping`: FHIR back to exam records: finding the exams in what is given. May import terminology, errors.

Bundles of any type, loose Observations of both shapes, and Patients and Devices that came before them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import Any

from fhir_bladder.errors import RecordError
from fhir_bladder.mapping import back_record
from fhir_bladder.terminology.codes import concepts
from fhir_bladder.terminology.names import EXAM_CODE

Element = dict[str, Any]
OnProblem = Callable[[RecordError], None]


def from_fhir(
    resources: Iterable[Element], *, key_system: str = "", on_problem: OnProblem | None = None
) -> Iterator[Element]:
    """Exam records, as dicts that `wire.dumps` and `exam.load` take, of the exams among the resources.

    A panel comes back at once, an exam of the single shape when its last measurement has come. key_system: the
    site's, needed only where an Observation carries several identifiers that look like keys. What cannot be read,
    and exams whose measurements are missing at the end, go to `on_problem`; without it the first one is raised.
    Observations of other things are told to `on_problem` too, and passed over without it.
    """
    reader = _Reader(key_system, on_problem)
    for resource in resources:
        yield from reader.take(resource)
    yield from reader.rest()


class _Pending:
    """An exam of the single shape on its way in. wanted: keys of its measurements, in the group's order."""

    def __init__(self) -> None:
        self.group: Element | None = None
        self.wanted: list[str] = []
        self.index: dict[str, Element] = {}
        self.members: dict[str, Element] = {}

    def take_group(self, group: Element) -> None:
        wanted = [
            member.get("identifier", {}).get("value") or _short(member.get("reference", ""))
            for member in group["hasMember"]
        ]
        if not all(isinstance(key, str) for key in wanted):
            raise TypeError("a key is no text")
        self.wanted, self.group = wanted, group

    def complete(self) -> bool:
        return self.group is not None and all(key in self.members for key in self.wanted)


class _Reader:
    def __init__(self, key_system: str, on_problem: OnProblem | None) -> None:
        self._key_system = key_system
        self._on_problem = on_problem
        self._seen: dict[str, Element] = {}
        self._pending: dict[tuple[str, str], _Pending] = {}

    def take(self, resource: Element) -> Iterator[Element]:
        """Records that are complete with this resource."""
        try:
            yield from self._take(resource)
        except _SHAPE as error:
            self._tell(_unreadable(error, resource))

    def _take(self, resource: Element) -> Iterator[Element]:
        kind = resource.get("resourceType")
        if kind == "Bundle":
            entries = [entry for entry in resource.get("entry", ()) if isinstance(entry.get("resource"), dict)]
            index: dict[str, Element] = {}
            for entry in entries:
                one = entry["resource"]
                if one.get("resourceType") in ("Patient", "Device"):
                    index |= {name: one for name in (entry.get("fullUrl"), _reference(one)) if name}
            for entry in entries:
                one = entry["resource"]
                if one.get("resourceType") in ("Observation", "Bundle"):
                    yield from self._observation(one, index) if one["resourceType"] == "Observation" else self.take(one)
        elif kind in ("Patient", "Device"):
            if name := _reference(resource):
                self._seen[name] = resource
        elif kind == "Observation":
            yield from self._observation(resource, {})

    def _observation(self, observation: Element, index: dict[str, Element]) -> Iterator[Element]:
        try:
            concept = back_record.concept_of(observation)
            if concept == EXAM_CODE and not observation.get("hasMember"):
                parts = observation.get("component", [])
                yield self._record(observation, parts, index)
                return
            known = concepts().get(concept)
            if known is None or known.kind not in ("exam", "measurement"):
                if self._on_problem is not None:
                    where = _reference(observation) or "Observation"
                    self._on_problem(RecordError("not a bladder-ultrasound exam", where, "nothing to do"))
                return
            system, key = back_record.key_of(observation, self._key_system)
            place = (system, key.exam)
            pending = self._pending.setdefault(place, _Pending())
            if concept == EXAM_CODE:
                pending.take_group(observation)
            else:
                name = f"{key.exam}/{key.concept}" + (f"/{key.position}" if key.position else "")
                pending.members[name] = observation
                if reference := _reference(observation):
                    pending.members[reference] = observation
            pending.index |= index
            if pending.complete():
                del self._pending[place]
                assert pending.group is not None
                yield self._grouped(pending)
        except RecordError as error:
            self._tell(error)
        except _SHAPE as error:
            self._tell(_unreadable(error, observation))

    def _grouped(self, pending: _Pending) -> Element:
        assert pending.group is not None
        members = [pending.members[key] for key in pending.wanted]
        return self._record(pending.group, [*members, *pending.group.get("component", [])], pending.index)

    def _record(self, exam: Element, parts: list[Element], index: dict[str, Element]) -> Element:
        patient = self._resolve(exam.get("subject", {}), index)
        device = self._resolve(exam.get("device", {}), index)
        return back_record.record(exam, parts, patient, device, self._key_system)

    def _resolve(self, reference: Element, index: dict[str, Element]) -> Element | None:
        name = reference.get("reference", "")
        short = _short(name)
        return index.get(name) or index.get(short) or self._seen.get(short)

    def rest(self) -> Iterator[Element]:
        """Nothing: exams of the single shape that stayed incomplete are told."""
        for (_, key), pending in self._pending.items():
            if pending.group is None:
                what = f"exam {key} has measurements but no group"
            else:
                missing = [name for name in pending.wanted if name not in pending.members]
                what = f"exam {key} lacks {len(missing)} of its measurements, among them {missing[0]}"
            self._tell(RecordError(what, "Observation.hasMember", "give all Observations of the exam"))
        return iter(())

    def _tell(self, error: RecordError) -> None:
        if self._on_problem is None:
            raise error
        self._on_problem(error)


_SHAPE = (AttributeError, KeyError, TypeError, ValueError, IndexError, ArithmeticError)
"""What reading FHIR of another form than the standard's runs into."""


def _unreadable(error: Exception, resource: Any) -> RecordError:
    where = _reference(resource) if isinstance(resource, dict) and "resourceType" in resource else ""
    what = f"not readable as an exam ({type(error).__name__})"
    return RecordError(what, where or "resource", "validate it against the profiles")


def _short(reference: str) -> str:
    """`Type/id` of a reference, without server and version."""
    return "/".join(reference.split("/_history/")[0].rsplit("/", 2)[-2:])


def _reference(resource: Element) -> str:
    return f"{resource['resourceType']}/{resource['id']}" if "id" in resource else ""
