"""Room `exchange`: Devices and Patients that exams refer to, found or created once. May import errors, mapping.

Creating goes through a latch that all workers and all processes of one outbox share: conditional creates sent at the
same time make doubles on real servers.
"""

from __future__ import annotations

import contextlib
import os
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

from fhir_bladder.errors import ServerError
from fhir_bladder.exchange.push.capability import Capability
from fhir_bladder.exchange.push.link import Link
from fhir_bladder.exchange.push.plan import post
from fhir_bladder.exchange.push.proof import Pair, Proof
from fhir_bladder.exchange.push.send import Outcome, Sender
from fhir_bladder.exchange.push.unit import Json

try:
    import fcntl
except ImportError:  # pragma: no cover - Windows: the latch then holds within one process
    fcntl = None  # type: ignore[assignment]


class Latch:
    """One at a time, over threads and processes: a lock file beside the outbox."""

    def __init__(self, outbox: Path) -> None:
        self._path = outbox.with_name(outbox.name + "-latch")
        self._lock = threading.Lock()

    @contextlib.contextmanager
    def held(self, check: Callable[[], None]) -> Iterator[None]:
        """Hold the latch; the kernel frees it when the process ends in whatever way. check: called while waiting for
        it, raises where the run is to end.
        """
        while not self._lock.acquire(timeout=_TURN_S):
            check()
        try:
            if fcntl is None:
                yield
                return
            handle = os.open(self._path, os.O_CREAT | os.O_RDWR, 0o600)
            try:
                while not _taken(handle):
                    check()
                    time.sleep(_TURN_S / 10)
                yield
            finally:
                os.close(handle)
        finally:
            self._lock.release()


def _taken(handle: int) -> bool:
    try:
        fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except BlockingIOError:
        return False
    return True


_TURN_S = 0.2
"""How often somebody who waits for the latch looks whether the run is to end."""

REMEMBERED = 4096
"""Most resources of a kind of look-up that are remembered, so that memory stays flat however long a push is."""


def forget(known: dict[tuple[str, Pair], Any]) -> None:
    """Drop what was remembered first, down to the limit."""
    while len(known) > REMEMBERED:
        del known[next(iter(known))]


class NotTaken(ServerError):
    """The server does not take a Device or a Patient. found: those of the others that are there."""

    def __init__(self, what: str, where: str, remedy: str, found: dict[Pair, list[Json]]) -> None:
        super().__init__(what, where, remedy)
        self.found = found


class Ensurer:
    """Finds resources by identifier and creates those that are not there; remembers what it found."""

    def __init__(self, link: Link, proof: Proof, capability: Capability, latch: Latch, most: int) -> None:
        self._link = link
        self._proof = proof
        self._sender = Sender(link, capability, proof)
        self._capability = capability
        self._latch = latch
        self._most = most
        self._known: dict[tuple[str, Pair], list[Json]] = {}
        self._lock = threading.Lock()

    def find(self, kind: str, pairs: Sequence[Pair]) -> dict[Pair, list[Json]]:
        """Resources by identifier; those found once are remembered, those not found are looked up again."""
        with self._lock:
            result = {pair: self._known.get((kind, pair), []) for pair in pairs}
        missing = [pair for pair, resources in result.items() if not resources]
        if missing:
            found = self._proof.by_identifier(kind, missing)
            result |= found
            with self._lock:
                self._known.update({(kind, pair): resources for pair, resources in found.items() if resources})
                forget(self._known)
        return result

    def ensure(self, kind: str, wanted: dict[Pair, Json]) -> dict[Pair, list[Json]]:
        """Resources by identifier, created where there is none. Two for one identifier are returned as found.

        What is not remembered is looked up with the latch held: one look before, one after creating, and of several
        workers that need the same one only the first asks. Raises NotTaken where the server refuses to create one.
        """
        with self._lock:
            found = {pair: self._known.get((kind, pair), []) for pair in wanted}
        if all(found.values()):
            return found
        with self._latch.held(self._link.check):
            outcome = Outcome()
            for attempt in range(1, self._link.retry.attempts + 1):
                found = self.find(kind, list(wanted))
                missing = [pair for pair, resources in found.items() if not resources]
                if not missing:
                    return found
                if attempt > 1:
                    self._link.pause(attempt - 1, outcome.asked)
                outcome = self._create([wanted[pair] for pair in missing])
                if not outcome.clean and len(missing) > 1 and (attempt > 1 or not outcome.passing):
                    outcome = self._one_by_one(kind, {pair: wanted[pair] for pair in missing})
                if not outcome.clean and not outcome.passing and not outcome.limit:
                    break
            found = self.find(kind, list(wanted))
        if all(found.values()):
            return found
        raise NotTaken(
            f"the server does not take a {kind} ({outcome.words or 'each entry refused'})",
            kind,
            f"put it there by other means, or use --{'devices' if kind == 'Device' else 'patients'} match or logical",
            found,
        )

    def _one_by_one(self, kind: str, wanted: dict[Pair, Json]) -> Outcome:
        """Each alone, so that one the server does not take keeps none of the others; the last refusal.

        Some may be there since they were sent together: what is there is not sent again.
        """
        refused = Outcome()
        missing = [pair for pair, resources in self.find(kind, list(wanted)).items() if not resources]
        for pair in missing:
            outcome = self._create([wanted[pair]])
            if not outcome.clean:
                refused = outcome
        return refused

    def _create(self, resources: Sequence[Json]) -> Outcome:
        entries = [post(resource, "", "", self._capability) for resource in resources]
        outcome = Outcome()
        size = self._most
        start = 0
        while start < len(entries):
            outcome = self._sender.send(entries[start : start + size], size)
            if outcome.limit and size > 1:
                size = max(1, size // 2)
                continue
            if not outcome.clean:
                return outcome
            start += size
        return outcome
