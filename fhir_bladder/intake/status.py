"""Room `intake`: the status of a listener: counts, a small JSON file, and alerts that are raised and cleared once."""

from __future__ import annotations

import datetime as dt
import os
import threading
from collections import Counter
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from fhir_bladder import wire
from fhir_bladder.errors import ConfigError, Finding


class Rows(Protocol):
    """What the status needs of an outbox."""

    def counts(self, target: str | None = None) -> dict[str, int]:
        """Rows per state."""
        ...

    def rows(self, state: str = "", *, target: str = "", older_than: dt.timedelta | None = None) -> Iterator[Any]:
        """Rows of a state."""
        ...


@dataclass(frozen=True, slots=True)
class Limits:
    """When to alert. queue: rows waiting; it clears at half of it. waiting, held: ages."""

    queue: int = 100
    waiting: dt.timedelta = dt.timedelta(minutes=15)
    held: dt.timedelta = dt.timedelta(hours=24)


@dataclass(frozen=True, slots=True)
class Alert:
    """An alert that came up or (`cleared`) went away."""

    name: str
    text: str
    cleared: bool = False


class Status:
    """Counts of a listener. Safe to use from several threads; the file is mode 0600 and replaced whole."""

    def __init__(
        self,
        outbox: Rows,
        target: str,
        path: str | Path | None,
        *,
        limits: Limits | None = None,
        on_alert: Callable[[Alert], None] = lambda _: None,
    ) -> None:
        self._outbox, self._target, self._limits, self._on_alert = outbox, target, limits or Limits(), on_alert
        self._path = Path(path) if path is not None else None
        self._started = _now()
        self._lock = threading.Lock()
        self._counts: Counter[str] = Counter()
        self._not_taken: Counter[str] = Counter()
        self._alerts: dict[str, str] = {}
        self._server = ""
        if self._path is not None and not self._path.parent.is_dir():
            raise ConfigError("the folder of the status file is not there", str(self._path), "make it, or name another")

    def count(self, name: str, number: int = 1) -> None:
        """Count something: `messages accepted`, `files done`, …"""
        with self._lock:
            self._counts[name] += number

    def not_taken(self, findings: Iterable[Finding]) -> None:
        """Remember what was not understood (codes and field names, nothing of a patient), for who writes the map."""
        with self._lock:
            for finding in findings:
                if finding.id == "v2-not-mapped":
                    text = finding.message.split(" (segment")[0]
                    if text in self._not_taken or len(self._not_taken) < 50:
                        self._not_taken[text] += 1

    def server_trouble(self, text: str) -> None:
        """What keeps the server from taking records; empty once it takes them again."""
        self._server = text

    def line(self) -> str:
        """One line for people."""
        counts = self._outbox.counts(self._target)
        shown = ", ".join(f"{number} {name}" for name, number in sorted(self._counts.items()) if number)
        states = ", ".join(f"{counts[state]} {state}" for state in ("waiting", "sending", "held", "delivered"))
        return f"{shown or 'nothing received yet'}; outbox: {states}"

    def write(self, state: str, **more: Any) -> dict[str, Any]:
        """Check the alerts and write the file; returns what was written."""
        counts = self._outbox.counts(self._target)
        self._check(counts)
        with self._lock:
            data: dict[str, Any] = {
                "at": _now(),
                "state": state,
                "started_at": self._started,
                "pid": os.getpid(),
                "counts": dict(sorted(self._counts.items())),
                "outbox": counts,
                "not_taken": dict(self._not_taken.most_common()),
                "alerts": [{"name": name, "text": text} for name, text in self._alerts.items()],
            } | more
        if self._path is not None:
            draft = self._path.with_name(f".{self._path.name}.{os.getpid()}")
            handle = os.open(draft, os.O_WRONLY | os.O_CREAT | os.O_TRUNC, 0o600)
            try:
                os.write(handle, wire.dumps(data) + b"\n")
            finally:
                os.close(handle)
            draft.replace(self._path)
        return data

    def _check(self, counts: dict[str, int]) -> None:
        limits = self._limits
        waiting = counts["waiting"]
        grown = waiting >= (limits.queue if "queue-grows" not in self._alerts else max(limits.queue // 2, 1))
        self._set("queue-grows", grown, f"{waiting} exams wait to be sent")
        old = self._older("waiting", counts, limits.waiting)
        self._set("queue-old", old, f"an exam has waited for more than {_span(limits.waiting)}")
        held = self._older("held", counts, limits.held)
        self._set("held-old", held, f"a held exam is older than {_span(limits.held)} and needs a person")
        self._set("server", bool(self._server), f"the server takes nothing: {self._server}")

    def _older(self, state: str, counts: dict[str, int], age: dt.timedelta) -> bool:
        if not counts[state]:
            return False  # spares the look through all rows, which may be years of them
        return next(self._outbox.rows(state, target=self._target, older_than=age), None) is not None

    def _set(self, name: str, on: bool, text: str) -> None:
        if on and name not in self._alerts:
            self._alerts[name] = text
            self._on_alert(Alert(name, text))
        elif on:
            self._alerts[name] = text
        elif name in self._alerts:
            self._on_alert(Alert(name, self._alerts.pop(name), cleared=True))


def _now() -> str:
    return dt.datetime.now(dt.UTC).isoformat(timespec="seconds")


def _span(span: dt.timedelta) -> str:
    minutes = int(span.total_seconds() // 60)
    return f"{minutes // 60} h" if minutes >= 120 and not minutes % 60 else f"{minutes} min"
