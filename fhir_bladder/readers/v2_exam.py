"""Room `readers`: one exam out of an order's observations: scans by OBX-4, status, corrections. May import exam."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from fhir_bladder.errors import Finding
from fhir_bladder.exam.problems import Problem
from fhir_bladder.exam.times import parse as parse_time
from fhir_bladder.readers import v2_context as context
from fhir_bladder.readers.cells import ABSENT
from fhir_bladder.readers.fields import Tree
from fhir_bladder.readers.v2_map import LOCAL, LOCAL_URL, STUDIES, Entry, V2Map
from fhir_bladder.readers.v2_parse import Message, Segment, subcomponents
from fhir_bladder.readers.v2_status import NO_RESULT, OBX_STATUS, exam_status
from fhir_bladder.readers.v2_values import DOUBTFUL, INVENTED, KNOWN_STATUS, NO_VALUE, Clock, value_of

_TUPLE = re.compile(r"(\d+\.\d+\.\d+)\.\d+\Z", re.ASCII)
_IGNORED = {"MSH": None, "PID": {1}, "PV1": {1, 2}, "ORC": {1}, "OBR": {1}, "PRT": {1, 2, 3, 4}, "NTE": {1}}
_IGNORED["OBX"] = {1, 2, 4, 6}  # type, group and unit go with the value, which is taken or said not to be
_TIMES_OF = {"voided_volume": "voided_at", "catheterised_volume": "catheterised_at"}
_TIMES = frozenset(_TIMES_OF.values())
_Said = dict[str, tuple[Any, Segment]]
_BLADDER = {"89837001"}
"""SNOMED CT bladder: what OBX-20 says of every exam here."""


@dataclass(slots=True)
class Observation:
    """An OBX with the PRT that follow it."""

    obx: Segment
    prts: list[Segment] = field(default_factory=list)


@dataclass(slots=True)
class Order:
    """One exam's segments: patient, visit, and one or more ORC and OBR with their observations."""

    pid: Segment | None
    pv1: Segment | None
    orcs: list[Segment]
    obrs: list[Segment]
    observations: list[Observation] = field(default_factory=list)
    prts: list[Segment] = field(default_factory=list)
    others: list[Segment] = field(default_factory=list)

    @property
    def obr(self) -> Segment:
        """The first OBR."""
        return self.obrs[0]

    @property
    def filler(self) -> str:
        """The filler's number of the order."""
        return context.filler_number(self.orcs[0] if self.orcs else None, self.obr)


@dataclass(slots=True)
class Built:
    """What an order gave: record data, findings, and whether any observation was known.

    places: record fields and where in the message they come from (`OBX-5`).
    """

    data: dict[str, Any]
    findings: list[Finding]
    known: bool
    places: dict[str, tuple[Segment, str]] = field(default_factory=dict)


class Builder:
    """Builds the record data of one order."""

    def __init__(self, message: Message, order: Order, maps: V2Map, clock: Clock, file: str, line: int) -> None:
        self._message, self._order, self._maps, self._clock = message, order, maps, clock
        self._file, self._line = file, line
        self._findings: list[Finding] = []
        self._tree = Tree()
        self._set: _Said = {}
        self._lists: dict[str, list[tuple[str, _Said]]] = {"scans": [], "earlier_voids": []}
        self._open: dict[tuple[str, str], _Said] = {}  # the latest member of each group
        self._owner: dict[str, str] = {}  # wall and diameters: the OBX-4 group they were measured on
        self._reported: list[str] = []
        self._votes: list[str] = []
        self._defaults: set[str] = set()
        self._implied: set[str] = set()  # times taken from OBX-14, which an OBX of their own may still replace
        self._invented = False
        self._all_retracted = False

    def build(self) -> Built:
        """The record's data; what is wrong or not kept is in the findings."""
        order = self._order
        mapped = [(o, entry) for o in order.observations if (entry := self._entry(o.obx)) is not None]
        retracted = [OBX_STATUS.get(o.obx.text(11).strip()) == "entered-in-error" for o, _ in mapped]
        self._all_retracted = bool(retracted) and all(retracted)
        for observation, entry in mapped:
            try:
                self._observe(observation.obx, entry)
            except Problem as problem:
                observation.obx.raw(5)  # refused, so not to be listed as left out
                self._report(problem, observation.obx, entry.field.path)
        self._context([o.obx for o, _ in mapped])
        self._scans()
        self._status()
        for path, value in self._maps.constants.items():
            self._default(path, value)
        self._list_unused()
        return Built(self._tree.data(), self._findings, bool(mapped), self._places())

    def _places(self) -> dict[str, tuple[Segment, str]]:
        places = {name: (obx, "OBX-5") for name, (_, obx) in self._set.items()}
        for head, members in self._lists.items():
            for position, (_, fields) in enumerate(members):
                places |= {f"{head}.{position}.{name}": (obx, "OBX-5") for name, (_, obx) in fields.items()}
        if pid := self._order.pid:
            for name, number in (("identifiers", 3), ("family_name", 5), ("given_names", 5), ("birth_date", 7)):
                places[f"patient.{name}"] = pid, f"PID-{number}"
        return places

    # -- observations

    def _entry(self, obx: Segment) -> Entry | None:
        parts = obx.components(3)
        for code, system in ((0, 2), (3, 5), (9, 11)):
            if system < len(parts) and (entry := self._maps.entry(parts[code].strip(), parts[system].strip())):
                return entry
        name = parts[0].strip() if parts else "(empty)"
        of = f" of {parts[2].strip()!r}" if len(parts) > 2 and parts[2].strip() else ""
        self._note(
            "v2-not-mapped", f"code {name[:60]!r}{of} fills no field",
            "add an [[observation]] to the map of --v2-map if it should", obx, "OBX-3",
        )  # fmt: skip
        return None

    def _observe(self, obx: Segment, entry: Entry) -> None:
        vote = self._vote(obx)
        flags = _flags(obx)
        if vote is None:
            return
        self._votes.append(vote)
        is_volume = entry.path == "scans.volume"
        if vote == "entered-in-error" and not self._all_retracted:
            self._note("v2-retracted", f"the value of {entry.path} is taken back", "nothing to do", obx, "OBX-11")
            return
        if is_volume and (vote == "cancelled" or "INV" in flags):
            self._put(obx, "scans.absent_reason", "failed", self._beside(obx, entry))
            return
        nothing = sorted(flags & NO_VALUE) or ([f"status {obx.text(11)}"] if vote == "cancelled" else [])
        value = ABSENT if nothing else value_of(obx, entry, self._clock)
        if value is ABSENT and is_volume and vote == "entered-in-error":
            self._put(obx, "scans.absent_reason", "failed", self._beside(obx, entry))
        elif value is ABSENT:
            why = ", ".join(nothing) or "OBX-5 is empty"
            self._note(
                "v2-no-value", f"no value is taken for {entry.path}: {why}", "send it when there is one", obx, "OBX-5"
            )
        else:
            self._put(obx, entry.path, value, self._beside(obx, entry))
            if is_volume and entry.reported:
                self._reported.append(self._group(obx))

    def _vote(self, obx: Segment) -> str | None:
        """What the observation says of the exam's status; None where it brings no result at all."""
        status, flags = obx.text(11).strip(), _flags(obx)
        for flag in sorted(flags - KNOWN_STATUS):
            self._note("v2-flag", f"flag {flag[:10]!r} has no home in the record", "it is left out", obx, "OBX-8")
        self._invented = self._invented or bool(flags & INVENTED)
        if status in NO_RESULT:
            self._note("v2-no-result", f"status {status} brings no result", "send it when it is there", obx, "OBX-11")
            return None
        vote = OBX_STATUS.get(status, "")
        if status and not vote:
            what = f"status {status[:4]!r} has no meaning for the record"
            self._note("v2-status", what, "send one of F, P, R, C, A, D, W, X", obx, "OBX-11")
        if doubtful := sorted(flags & DOUBTFUL):
            self._note("v2-doubtful", f"the device marks the value {', '.join(doubtful)}", "check it", obx, "OBX-8")
            return "preliminary" if vote in ("", "final") else vote
        return vote

    def _beside(self, obx: Segment, entry: Entry) -> list[tuple[str, Any]]:
        """Fields set beside the value: those of the map, and OBX-14 where a field for it exists."""
        when = obx.text(14).strip()
        return [*entry.also, *(self._when(entry, self._clock.time(when, "OBX-14")) if when else ())]

    def _when(self, entry: Entry, time: str) -> list[tuple[str, Any]]:
        """OBX-14 is the time that matters to the observation: where a field for it exists, it goes there."""
        homes = {"scans": "scans.taken_at", "earlier_voids": "earlier_voids.at"}
        path = homes.get(entry.path.split(".")[0]) or _TIMES_OF.get(entry.path)
        return [(path, time)] if path else []

    def _group(self, obx: Segment) -> str:
        """OBX-4; of a PCD-01 tuple (device, subsystem, channel, metric) the part up to the channel."""
        sub_id = obx.text(4).strip()
        match = _TUPLE.match(sub_id)
        return match[1] if match else sub_id

    def _put(self, obx: Segment, path: str, value: Any, beside: list[tuple[str, Any]]) -> None:
        head, _, inner = path.partition(".")
        group = self._group(obx)
        if head in self._lists:
            target = self._member(head, group, inner)
            target[inner] = (value, obx)
            for other, its_value in beside:
                target.setdefault(other.partition(".")[2], (its_value, obx))
            return
        for name, its_value in [(path, value), *beside]:
            known = self._set.get(name)
            if name != path and name in _TIMES and known is not None:
                continue  # what an OBX of its own says goes before OBX-14 of another
            if known is not None and name not in self._implied and str(known[0]) != str(its_value):
                raise Problem(
                    "v2-twice", f"{name} is said twice and differently (segment {known[1].number})",
                    "send one value for each exam", field="OBX-5",
                )  # fmt: skip
            self._implied -= {name}
            if name != path and name in _TIMES:
                self._implied |= {name}
            self._set[name] = (its_value, obx)
            self._tree.put(name, its_value)
        if head in ("wall", "diameters") and group:
            self._owner.setdefault(head, group)

    def _member(self, head: str, group: str, inner: str) -> _Said:
        """The scan (or void) of an OBX-4 group; without OBX-4 a repeated field opens the next one."""
        said = self._open.get((head, group))
        if said is not None:
            alike = ("volume", "absent_reason") if inner in ("volume", "absent_reason") else (inner,)
            earlier = next((said[one][1] for one in alike if one in said), None)
            if earlier is None:
                return said
            if group:
                raise Problem(
                    "v2-twice", f"group {group!r} holds {inner} twice (segment {earlier.number})",
                    "number repeats in OBX-4", field="OBX-4",
                )  # fmt: skip
        created: _Said = {}
        self._lists[head].append((group, created))
        self._open[head, group] = created
        return created

    # -- the record around them

    def _context(self, observations: list[Segment]) -> None:
        """Everything but the observations; one part that cannot be read does not hide the others."""
        order, maps = self._order, self._maps
        orc = order.orcs[0] if order.orcs else None
        self._tree.put("record_version", "1")
        parts: list[tuple[str, Segment | None, Callable[[], Any]]] = [
            ("exam_number", order.obr, lambda: order.filler),
            ("started_at", order.obr, lambda: self._started(observations)),
            ("void_state", order.obr, self._study),
            ("patient", order.pid, lambda: context.patient(order.pid, maps, self._warn)),
            ("encounter", order.pv1, lambda: context.encounter(order.pv1, maps, self._warn)),
            ("order", order.obr, lambda: context.order(orc, order.obr, maps, self._warn)),
            ("operator", order.obr, lambda: context.operator(order.obr, observations, self._prts(), maps)),
            ("location", order.pv1, lambda: context.location(order.pv1, self._prts())),
            ("reason", order.obr, self._reason),
            ("device.serial", order.obr, lambda: self._device(observations)),
        ]
        for name, segment, part in parts:
            try:
                self._default(name, part())
            except Problem as problem:
                self._report(problem, segment or order.obr, name)
        if self._invented or self._message.header.text(11).strip() in ("T", "D"):
            self._default("synthetic", True)

    def _reason(self) -> str:
        reason = self._order.obr.components(31)
        return next((p.strip() for p in [*reason[1:2], *reason[:1]] if p.strip()), "")

    def _prts(self) -> list[Segment]:
        return [prt for o in self._order.observations for prt in o.prts] + self._order.prts

    def _default(self, name: str, value: Any) -> None:
        """Set a field that nothing has set before, neither itself nor a part of it nor what it is a part of."""
        said = [*self._set, *self._defaults]
        taken = any(path == name or path.startswith(name + ".") or name.startswith(path + ".") for path in said)
        if value not in ("", {}, None) and not taken:
            self._defaults.add(name)
            self._tree.put(name, value)

    def _started(self, observations: list[Segment]) -> str:
        """OBR-7, else the earliest OBX-14."""
        if text := self._order.obr.text(7).strip():
            return self._clock.time(text, "OBR-7")
        times = [self._clock.time(obx.text(14).strip(), "OBX-14") for obx in observations if obx.text(14).strip()]
        return min(times, key=lambda text: parse_time(text).utc, default="")

    def _study(self) -> str:
        """The void state OBR-4 says, `unspecified` where nothing says one."""
        said = ""
        for obr in self._order.obrs:
            parts = [part.strip() for part in obr.components(4)]
            for code, system in ((0, 2), (3, 5)):
                if system < len(parts):
                    name = LOCAL if parts[system] == LOCAL_URL else parts[system]
                    said = STUDIES.get((parts[code], name), "") or said
        known = self._set.get("void_state")
        if known is not None and said and known[0] != said:
            raise Problem(
                "v2-contradiction", f"OBR-4 says {said}, an OBX {known[0]}", "correct the sender", field="OBR-4"
            )
        if not said and "void_state" in self._maps.constants:
            return ""
        if known is None and not said:
            what = "nothing says whether this was before or after a void"
            remedy = "send DICOM 130324 as an OBX, or 69388-7 in OBR-4"
            self._note("v2-void-state", what, remedy, self._order.obr, "OBR-4")
        return said or "unspecified"

    def _device(self, observations: list[Segment]) -> str:
        named: dict[str, str] = {}
        taken = {id(obx) for obx in observations}
        others = [o.obx for o in self._order.observations if id(o.obx) not in taken]
        for serial, udi, segment, place in context.devices(observations, self._prts(), others):
            if serial:
                named.setdefault(serial, f"{place} in segment {segment.number}")
            if udi:
                self._default("device.udi_device_identifier", udi)
        serials = [serial for serial, place in named.items() if place.startswith("PRT")] or list(named)
        if len(serials) > 1:
            raise Problem(
                "v2-contradiction", f"two devices in one exam: {serials[0][:40]!r} and {serials[1][:40]!r}",
                "send one OBR for each device", field=named[serials[1]],
            )  # fmt: skip
        return next(iter(serials), "")

    def _scans(self) -> None:
        numbers: dict[str, int] = {}
        scans = self._lists["scans"]
        plain = all(name.isdecimal() and len(name) < 5 and int(name) for name, _ in scans)
        for position, (group, fields) in enumerate(scans):
            number = int(group) if plain else position + 1
            numbers.setdefault(group, number)
            self._tree.put(f"scans.{position}.scan_number", number)
            for name, (value, _) in fields.items():
                self._tree.put(f"scans.{position}.{name}", value)
        for position, (_, fields) in enumerate(self._lists["earlier_voids"]):
            for name, (value, _) in fields.items():
                self._tree.put(f"earlier_voids.{position}.{name}", value)
        if len(scans) > 1 and len(self._reported) == 1 and self._reported[0]:
            self._default("reported_scan", numbers[self._reported[0]])
        for head, group in self._owner.items():
            if group in numbers:
                self._default(f"{head}.scan_number", numbers[group])

    def _status(self) -> None:
        """The exam's status out of those of its observations and of OBR-25."""
        status = exam_status(self._votes, self._order.obr.text(25).strip())
        self._default("status", status)
        self._verified(status)

    def _verified(self, status: str) -> None:
        """OBR-32 with OBR-22: who stands for a final result, and when."""
        obr = self._order.obr
        who = obr.components(32)
        if status not in ("final", "corrected", "amended") or not who or not obr.text(22).strip():
            obr.used.discard(32)
            return
        inner = [part.strip() for part in subcomponents(who[0])] + ["", "", ""]
        name = " ".join(part for part in (inner[2], inner[1]) if part)
        name = f"{name} ({inner[0]})" if name and inner[0] else name or inner[0]
        try:
            at = self._clock.time(obr.text(22).strip(), "OBR-22")
        except Problem as problem:
            self._report(problem, obr, "verified.at")
            return
        if name:
            self._default("verified", {"by": name, "at": at})

    # -- findings

    def _report(self, problem: Problem, segment: Segment, field: str) -> None:
        place = problem.field or segment.name
        message = f"{problem.what} (segment {segment.number}, {place})"
        self._findings.append(
            Finding(
                problem.id, "error", message, hint=problem.remedy, file=self._file,
                line=self._line + segment.number - 1, field=field, exam_number=self._order.filler[:80],
            )
        )  # fmt: skip

    def _warn(self, id: str, what: str, remedy: str, segment: Segment, place: str) -> None:
        self._add(id, "warn", what, remedy, segment, place)

    def _note(self, id: str, what: str, remedy: str, segment: Segment, place: str) -> None:
        self._add(id, "note", what, remedy, segment, place)

    def _add(self, id: str, severity: str, what: str, remedy: str, segment: Segment, place: str) -> None:
        message = f"{what} (segment {segment.number}, {place})"
        line = self._line + segment.number - 1
        number = self._order.filler[:80]
        self._findings.append(
            Finding(id, severity, message, hint=remedy, file=self._file, line=line, exam_number=number)
        )

    def _list_unused(self) -> None:
        """One note naming every valued field that was not read, so that nothing is dropped in silence."""
        order = self._order
        segments = [s for s in (order.pid, order.pv1, *order.orcs, *order.obrs) if s is not None]
        # of an OBX that fills no field, OBX-3 was named, and OBX-18 perhaps read
        known = [o for o in order.observations if o.obx.used - {3, 18}]
        segments += [s for o in known for s in (o.obx, *o.prts)] + order.prts
        names: dict[str, int] = {}
        for segment in segments:
            ignored = _IGNORED.get(segment.name) or set()
            for number, raw in enumerate(segment.fields[1:], 1):
                if raw and number not in segment.used and number not in ignored and not _says_bladder(segment, number):
                    names.setdefault(f"{segment.name}-{number}", segment.number)
        for segment in order.others:
            names.setdefault(segment.name, segment.number)
        if names:
            listed = ", ".join(names)
            self._findings.append(
                Finding(
                    "v2-not-mapped", "note", f"not taken: {listed}", hint="the record has no field for them",
                    file=self._file, line=self._line + min(names.values()) - 1, exam_number=order.filler[:80],
                )
            )  # fmt: skip


def _flags(obx: Segment) -> set[str]:
    return {item[0].strip() for item in obx.repetitions(8)} - {""}


def _says_bladder(segment: Segment, number: int) -> bool:
    return segment.name == "OBX" and number == 20 and segment.text(20).strip() in _BLADDER
