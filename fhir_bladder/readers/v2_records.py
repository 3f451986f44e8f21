"""Room `readers`: HL7 v2 files and messages to exam records. May import exam.

One message may hold several patients and orders; OBR with the same filler number of one patient are one exam.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import IO
from zoneinfo import ZoneInfo

from fhir_bladder.errors import Finding, InputError
from fhir_bladder.readers import v2_parse
from fhir_bladder.readers.items import ReadItem, record_item, sha256
from fhir_bladder.readers.v2_exam import Builder, Built, Observation, Order
from fhir_bladder.readers.v2_map import V2Map
from fhir_bladder.readers.v2_parse import Message, MessageError, Segment, UnsupportedMessage
from fhir_bladder.readers.v2_values import Clock

VERSIONS = re.compile(r"2\.[3-8](\.\d)?\Z", re.ASCII)


@dataclass(frozen=True, slots=True)
class Header:
    """What MSH says, as far as an acknowledgement needs it. Never raises: what is not there is empty."""

    separators: v2_parse.Separators
    fields: tuple[str, ...]

    def field(self, number: int) -> str:
        """MSH-n as written."""
        return self.fields[number] if number < len(self.fields) else ""


def header_of(data: bytes) -> Header | None:
    """The header of a message, or None where there is none to speak of."""
    parts = v2_parse.split_segments(data[: 1 << 16])
    if not parts:
        return None
    try:
        separators = v2_parse.separators_of(parts[0])
    except MessageError:
        return None
    fields = parts[0].decode("latin-1").split(separators.field)
    fields.insert(1, separators.field)
    return Header(separators, tuple(fields))


def check_header(message: Message) -> None:
    """Raise UnsupportedMessage for a type or version that is not taken."""
    header = message.header
    kind = "^".join(header.components(9)[:2])
    if kind != "ORU^R01":
        raise UnsupportedMessage(
            "v2-type-not-taken", f"message type {kind[:20]!r} is not taken", "send ORU^R01", segment=1, place="MSH-9"
        )
    version = header.text(12).strip()
    if not VERSIONS.match(version):
        raise UnsupportedMessage(
            "v2-version-not-taken",
            f"version {version[:20]!r} is not taken",
            "send 2.3 to 2.8",
            segment=1,
            place="MSH-12",
        )


def read_v2(file: str, stream: IO[bytes], maps: V2Map, zone: ZoneInfo | None) -> Iterator[ReadItem]:
    """Exam records of a file of messages."""
    data = stream.read(v2_parse.MAX_MESSAGE + 1)
    if len(data) > v2_parse.MAX_MESSAGE:
        raise InputError(f"more than {v2_parse.MAX_MESSAGE:,} bytes", "", "split the file")
    count = 0
    for framed in v2_parse.messages(data):
        count += 1
        items = read_message(framed.data, maps, zone, file=file, line=framed.line)
        if framed.open:
            try:
                v2_parse.refuse_cut(framed.data)
            except MessageError as error:
                yield _refused(file, framed.line, framed.data, error, maps)
                continue
            what = "the last segment does not end with CR: the message may be cut off"
            hint = "compare it with the sender; end every segment with CR"
            for item in items:
                item.findings.append(Finding("v2-cut-off", "warn", what, hint=hint, file=file, line=framed.line))
        yield from items
    stated = v2_parse.batch_counts(data)
    if stated and sum(stated) != count:
        what = f"the batch trailer states {sum(stated)} messages, {count} were found"
        finding = Finding("v2-batch-count", "warning", what, hint="send the batch again if some are missing", file=file)
        yield ReadItem(file, findings=[finding])


def read_message(
    data: bytes, maps: V2Map, zone: ZoneInfo | None = None, *, file: str = "", line: int = 1
) -> list[ReadItem]:
    """Exam records of one message; one item a record, and one where the message as a whole is refused."""
    try:
        message = v2_parse.parse(data)
        check_header(message)
        orders = orders_of(message)
    except MessageError as error:
        return [_refused(file, line, data, error, maps)]
    clock = Clock(message.header, maps.zone or zone)
    items: list[ReadItem] = []
    unknown: list[Finding] = []
    for order in orders:
        built = Builder(message, order, maps, clock, file, line).build()
        errors = [finding for finding in built.findings if finding.severity == "error"]
        if not built.known and not errors:
            unknown += built.findings
            continue
        start = line + order.obr.number - 1
        item = ReadItem(file, start, data, sha256(data), data=built.data, map_hash=maps.sha256)
        if not errors:
            item = record_item(file, start, data, built.data, map_hash=maps.sha256, place=_placing(built, line))
        item.findings += built.findings
        items.append(item)
    if not items:
        what = "no observation of the message fills a field"
        remedy = "map its codes with --v2-map" if orders else "send OBR and OBX"
        items = [_refused(file, line, data, MessageError("v2-nothing-known", what, remedy, segment=1), maps)]
    items[0].findings += unknown
    return items


_SOURCES = {
    "exam_number": "OBR-3", "device": "OBX-18 or PRT-10", "device.serial": "OBX-18 or PRT-10", "started_at": "OBR-7",
    "scans": "OBX with a volume",
}  # fmt: skip


def _placing(built: Built, line: int) -> Callable[[Finding], None]:
    """Says what the record misses or does not take in the message's own terms."""

    def place(finding: Finding) -> None:
        source = _SOURCES.get(finding.field)
        if finding.id == "field-missing" and source:
            finding.hint = f"send it in {source}, or give it in [constants] of the map"
        path = finding.field
        while path and path not in built.places:
            path = path.rpartition(".")[0]
        if path:
            segment, name = built.places[path]
            finding.message += f" (segment {segment.number}, {name})"
            finding.line = line + segment.number - 1

    return place


def _refused(file: str, line: int, data: bytes, error: MessageError, maps: V2Map) -> ReadItem:
    message = error.what + (f" ({error.where})" if error.where else "")
    finding = Finding(error.id, "error", message, hint=error.remedy, file=file, line=line + max(error.segment - 1, 0))
    return ReadItem(file, line, data, sha256(data), findings=[finding], map_hash=maps.sha256)


def orders_of(message: Message) -> list[Order]:
    """Orders with their patients. Raises MessageError where segments stand where none may."""
    orders: list[Order] = []
    pid: Segment | None = None
    pv1: Segment | None = None
    orc: Segment | None = None
    current: Order | None = None
    loose: list[Segment] = []
    for segment in message.segments[1:]:
        name = segment.name
        if name == "PID":
            pid, pv1, orc, current = segment, None, None, None
        elif name == "PV1":
            pv1 = segment
        elif name == "ORC":
            orc, current = segment, None
        elif name == "OBR":
            current = Order(pid, pv1, [orc] if orc else [], [segment])
            orc = None
            orders.append(current)
        elif name == "OBX" and current is not None:
            current.observations.append(Observation(segment))
        elif name == "PRT" and current is not None:
            (current.observations[-1].prts if current.observations else current.prts).append(segment)
        elif name == "MSH":
            raise MessageError("v2-segment", "a second MSH in a message", "frame each", segment=segment.number)
        elif name not in ("SFT", "UAC", "DSC"):
            (current.others if current is not None else loose).append(segment)
    if loose and orders:
        orders[0].others += loose
    return _joined(orders)


def _joined(orders: list[Order]) -> list[Order]:
    """Orders of one patient with the same filler number are one exam."""
    joined: dict[tuple[int, str], Order] = {}
    result = []
    for order in orders:
        key = (order.pid.number if order.pid else 0, order.filler)
        if order.filler and key in joined:
            first = joined[key]
            first.orcs += order.orcs
            first.obrs += order.obrs
            first.observations += order.observations
            first.prts += order.prts
            first.others += order.others
        else:
            joined[key] = order
            result.append(order)
    return result
