"""Room `intake`: messages and files into the outbox. Nothing is acknowledged before it is durable.

Messages that arrive together share one transaction. What the record system gets is the business of `exchange.Push`;
here ends what a sender may rely on.
"""

from __future__ import annotations

import contextlib
import hashlib
import logging
import queue
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from dataclasses import dataclass, field
from typing import Protocol
from zoneinfo import ZoneInfo

from fhir_bladder.errors import Finding
from fhir_bladder.exchange import log
from fhir_bladder.exchange.outbox import Item
from fhir_bladder.intake import acknowledge
from fhir_bladder.intake.boundaries import reached
from fhir_bladder.readers import ReadItem
from fhir_bladder.readers.v2_map import V2Map
from fhir_bladder.readers.v2_records import Header, read_message

MAX_GROUP = 64
"""Most messages of one transaction."""
REJECTED = frozenset({"v2-type-not-taken", "v2-version-not-taken"})
"""Findings of a message that is not taken at all: AR, and nothing is kept."""


class Prepares(Protocol):
    """Turns what a reader gives into outbox items (`exchange.push.prepare.Preparer`)."""

    def record(self, given: ReadItem) -> Item:
        """The item of one record, held where it must not be sent."""
        ...


class Commits(Protocol):
    """What the intake needs of an outbox (`exchange.outbox.Outbox`)."""

    def together(self) -> contextlib.AbstractContextManager[None]:
        """Everything accepted inside becomes durable at the end, all or none."""
        ...

    def answer_to(self, application: str, facility: str, control_id: str, content: str) -> bytes | None:
        """The acknowledgement given before."""
        ...

    def accept_message(
        self, target: str, items: Sequence[Item], identity: tuple[str, str, str, str], answer: bytes
    ) -> bytes:
        """Commit a message; the stored acknowledgement where it came before."""
        ...


@dataclass(slots=True)
class Answer:
    """What became of a message. kind: accepted, held, repeated, rejected. frame: the acknowledgement, if any."""

    kind: str
    frame: bytes = b""
    records: int = 0
    findings: list[Finding] = field(default_factory=list)


@dataclass(slots=True)
class _Waiting:
    data: bytes
    header: Header
    source: str
    future: Future[Answer]


class Committer:
    """One thread that reads, prepares and commits messages, in the order they came, as many at once as wait.

    held_answer: `A` (default) acknowledges content that is wrong, since it is kept and a sender would repeat it for
    ever; `E` says that it is wrong.
    """

    def __init__(
        self,
        outbox: Commits,
        target: str,
        preparer: Prepares,
        maps: V2Map,
        zone: ZoneInfo | None = None,
        *,
        held_answer: str = "A",
        on_commit: Callable[[], None] = lambda: None,
    ) -> None:
        self._outbox, self._target, self._preparer = outbox, target, preparer
        self._maps, self._zone, self._held_answer, self._on_commit = maps, zone, held_answer, on_commit
        self._queue: queue.SimpleQueue[_Waiting | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._work, name="intake-commit", daemon=True)
        self._thread.start()

    def submit(self, data: bytes, header: Header, source: str) -> Future[Answer]:
        """Take one message; the future is done when it is durable. It fails where the outbox cannot be written."""
        future: Future[Answer] = Future()
        self._queue.put(_Waiting(data, header, source, future))
        return future

    def close(self) -> None:
        """Finish what was submitted and end the thread."""
        self._queue.put(None)
        self._thread.join()

    def _work(self) -> None:
        ended = False
        while not ended:
            group = [self._queue.get()]
            with contextlib.suppress(queue.Empty):
                while len(group) < MAX_GROUP:
                    group.append(self._queue.get_nowait())
            ended = None in group
            messages = [waiting for waiting in group if waiting is not None]
            if messages:
                self._commit(messages)

    def _commit(self, group: list[_Waiting]) -> None:
        try:
            answers = self._commit_all(group)
        except Exception as error:  # noqa: BLE001 - each sender's connection is told
            if len(group) > 1:  # one message that cannot be kept must not keep the others
                for waiting in group:
                    self._commit([waiting])
                return
            group[0].future.set_exception(error)
            return
        for waiting, answer in zip(group, answers, strict=True):
            waiting.future.set_result(answer)
        self._on_commit()

    def _commit_all(self, group: list[_Waiting]) -> list[Answer]:
        prepared = [self._prepare(waiting) for waiting in group]
        reached("before-commit")
        with self._outbox.together():
            for waiting, (answer, items) in zip(group, prepared, strict=True):
                if answer.kind in ("accepted", "held"):
                    kept = self._outbox.accept_message(
                        self._target, items, identity_of(waiting.header, waiting.data), answer.frame
                    )
                    if kept != answer.frame:
                        answer.kind, answer.frame = "repeated", kept
        reached("committed")
        return [answer for answer, _ in prepared]

    def _prepare(self, waiting: _Waiting) -> tuple[Answer, list[Item]]:
        header = waiting.header
        before = self._outbox.answer_to(*identity_of(header, waiting.data))
        if before is not None:
            return Answer("repeated", before), []
        first: Finding | None = None
        findings: list[Finding] = []
        try:
            read = read_message(waiting.data, self._maps, self._zone, file=waiting.source)
            reached("message-read")
            findings = [finding for item in read for finding in item.findings]
            first = next((f for f in findings if f.severity in ("error", "fatal")), None)
            if first is not None and first.id in REJECTED:
                return Answer("rejected", acknowledge.answer(header, "R", first.message), 0, findings), []
            items = [self._preparer.record(item) for item in read]
            wrong = any(item.record is None for item in read)
        except Exception as error:  # noqa: BLE001 - a fault of ours must not block the sender: kept, held, told
            items, wrong = [unexpected(waiting.data, waiting.source, error)], True
        outcome = self._held_answer if wrong else "A"
        text = first.message if first else ""
        frame = acknowledge.answer(header, outcome, text) if acknowledge.wants_answer(header) else b""
        held = wrong or any(item.state == "held" for item in items)
        return Answer("held" if held else "accepted", frame, len(items), findings), items


def unexpected(data: bytes, source: str, error: Exception, line: int = 0) -> Item:
    """A record that made the program itself fail: kept as held, so that nothing is lost and nothing waits for it."""
    log.event("intake.fault", level=logging.ERROR, kind=type(error).__name__.lower())
    reason = f"the program failed on it ({type(error).__name__}): keep it and report the fault"
    digest = hashlib.sha256(data).hexdigest()
    return Item(digest, state="held", code="unreadable", reason=reason, file=source, line=line, source=data)


def identity_of(header: Header, data: bytes) -> tuple[str, str, str, str]:
    """MSH-3, MSH-4, MSH-10 and the hash of the bytes: the same message again has the same."""
    return header.field(3), header.field(4), header.field(10), hashlib.sha256(data).hexdigest()
