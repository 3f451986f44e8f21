"""Room `intake`: the listener: MLLP and folders in, outbox, server out; status, alerts, a clean stop.

Receiving never waits for the record system: a message is acknowledged once it is in the outbox, and a thread of its
own delivers.
"""

from __future__ import annotations

import asyncio
import contextlib
import re
import signal
import ssl
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Protocol

from fhir_bladder.errors import BladderError, ConfigError
from fhir_bladder.exchange.outbox import Outbox
from fhir_bladder.intake import mllp
from fhir_bladder.intake.again import read_again
from fhir_bladder.intake.commit import Answer, Committer, Prepares
from fhir_bladder.intake.folder import SETTLE_S, Folder, Handled
from fhir_bladder.intake.mllp import MAX_MESSAGE
from fhir_bladder.intake.status import Alert, Limits, Status
from fhir_bladder.readers.items import ReadOptions
from fhir_bladder.readers.reading import maps_of

POLL_S = 1.0
STATUS_S = 5.0
LINE_S = 60.0
"""Least time between two status lines; one is told only where something changed."""
DELIVER_S = 2.0
"""Pause before delivery is tried again where something waits; new arrivals start it at once."""
_PLACE = re.compile(r"\(segment \d+[^()]{0,20}\)\Z", re.ASCII)


class Delivers(Protocol):
    """Sends what waits (`exchange.Push`)."""

    def run(self, *, respect_delays: bool = False) -> Any:
        """Deliver; the summary tells trouble with the server in `.error`."""
        ...

    def stop(self) -> None:
        """End soon."""
        ...


@dataclass(frozen=True, slots=True)
class ListenOptions:
    """What to listen on. mllp: `HOST:PORT`, empty for none. held_answer: `A` or `E` for content that is wrong."""

    mllp: str = ""
    folders: Sequence[str | Path] = ()
    status_file: str | Path | None = None
    tls: ssl.SSLContext | None = None
    held_answer: str = "A"
    max_message: int = MAX_MESSAGE
    settle: float = SETTLE_S
    limits: Limits = field(default_factory=Limits)


@dataclass(frozen=True, slots=True)
class Event:
    """Something to tell a person: kind (`listening`, `status`, `file`, `trouble`, `alert`, …) and a line."""

    kind: str
    text: str
    handled: Handled | None = None


class Listener:
    """Listens until it is stopped. `run` blocks; `stop` may be called from a signal or another thread."""

    def __init__(
        self,
        outbox: Outbox,
        target: str,
        preparer: Prepares,
        read_options: ReadOptions,
        options: ListenOptions,
        *,
        deliver: Delivers | None = None,
        on_event: Callable[[Event], None] = lambda _: None,
    ) -> None:
        if not options.mllp and not options.folders:
            raise ConfigError("nothing to listen on", "", "give --mllp, --folder, or both")
        self._options, self._on_event, self._deliver = options, on_event, deliver
        self.status = Status(outbox, target, options.status_file, limits=options.limits, on_alert=self._alert)
        maps = maps_of(read_options)
        self._folders = [
            Folder(path, outbox, target, preparer, read_options, settle=options.settle) for path in options.folders
        ]
        self._outbox, self._target = outbox, target
        self._committer_of: Callable[[], Committer] = lambda: Committer(
            outbox, target, preparer, maps.v2, read_options.zone,
            held_answer=options.held_answer, on_commit=self._arrived.set,
        )  # fmt: skip
        self._arrived = threading.Event()
        self._stopped = threading.Event()
        self._stop: Callable[[], object] = lambda: None
        self._read_again: Callable[[], int] = lambda: read_again(outbox, target, preparer, maps.v2, read_options.zone)
        self._error: Exception | None = None
        self.port = 0

    def stop(self) -> None:
        """End soon: take nothing more, answer what was received whole, leave the rest queued."""
        self._stopped.set()
        self._arrived.set()
        if self._deliver is not None:
            self._deliver.stop()
        self._stop()

    def once(self) -> None:
        """Folders once, then deliver once: for cron. Raises what the outbox or a folder raises."""
        self._again()
        for folder in self._folders:
            for handled in folder.once():
                self._file(handled)
        self._send()
        self.status.write("stopped")

    def _again(self) -> None:
        if number := self._read_again():
            self._on_event(Event("message", f"{number} held messages could be read with the map there is now"))
            self._arrived.set()

    def run(self) -> None:
        """Listen until stopped. SIGTERM and SIGINT stop it where this is the main thread."""
        self._again()
        asyncio.run(self._run())
        if self._error is not None:
            raise self._error

    async def _run(self) -> None:
        loop = asyncio.get_running_loop()
        stopping = asyncio.Event()
        self._stop = lambda: loop.call_soon_threadsafe(stopping.set)
        if threading.current_thread() is threading.main_thread():
            for number in (signal.SIGTERM, signal.SIGINT):
                loop.add_signal_handler(number, self.stop)
        server = await self._serve()
        threads = [threading.Thread(target=self._guarded, args=(self._watch,), name="intake-folders", daemon=True)]
        if self._deliver is not None:
            threads.append(
                threading.Thread(target=self._guarded, args=(self._delivering,), name="intake-deliver", daemon=True)
            )
        for thread in threads:
            thread.start()
        try:
            told, told_at = "", time.monotonic()
            while not stopping.is_set():
                self.status.write("running", **self._more(server))
                line = self.status.line()
                if line != told and (time.monotonic() - told_at >= LINE_S or not told):
                    told, told_at = line, time.monotonic()
                    self._on_event(Event("status", line))
                with contextlib.suppress(TimeoutError):
                    await asyncio.wait_for(stopping.wait(), STATUS_S)
        finally:
            self._stopped.set()
            self._arrived.set()
            self._on_event(Event("stopping", "stopping; what is received is kept"))
            if server is not None:
                await server[0].stop()
                await loop.run_in_executor(None, server[1].close)
            for thread in threads:
                await loop.run_in_executor(None, thread.join, 60)
            self.status.write("stopped")

    async def _serve(self) -> tuple[mllp.Server, Committer] | None:
        if not self._options.mllp:
            return None
        host, port = mllp.address(self._options.mllp)
        committer = self._committer_of()
        server = mllp.Server(
            committer, tls=self._options.tls, max_message=self._options.max_message,
            on_answer=self._answered, on_trouble=self._trouble,
        )  # fmt: skip
        try:
            await server.start(host, port)
        except ConfigError:
            committer.close()
            raise
        self.port = server.port
        words = f"listening for HL7 v2 on {host}:{server.port}" + (" with TLS" if self._options.tls else "")
        if not mllp.is_loopback(host) and self._options.tls is None:
            words += "; reachable from other machines without encryption: use TLS"
        self._on_event(Event("listening", words))
        return server, committer

    def _more(self, server: tuple[mllp.Server, Committer] | None) -> dict[str, Any]:
        more: dict[str, Any] = {"folders": [str(folder.path) for folder in self._folders]}
        return more | ({"mllp_port": server[0].port, "connections": server[0].connections} if server else {})

    # -- threads

    def _guarded(self, work: Callable[[], None]) -> None:
        try:
            work()
        except Exception as error:  # noqa: BLE001 - a listener that can no longer work must end, not look alive
            self._error = self._error or error
            self.stop()

    def _watch(self) -> None:
        while not self._stopped.is_set():
            for folder in self._folders:
                for handled in folder.poll():
                    self._file(handled)
                    if self._stopped.is_set():
                        return
            self._stopped.wait(POLL_S)

    def _delivering(self) -> None:
        while not self._stopped.is_set():
            self._arrived.wait(DELIVER_S)
            self._arrived.clear()
            if not self._stopped.is_set() and self._outbox.next_due(self._target) == 0:
                self._send()

    def _send(self) -> None:
        if self._deliver is None:
            return
        summary = self._deliver.run(respect_delays=True)
        error = getattr(summary, "error", None)
        self.status.server_trouble(error.what if isinstance(error, BladderError) else "")
        if error is not None and not self._stopped.is_set():
            self._stopped.wait(DELIVER_S)

    # -- what happened

    def _file(self, handled: Handled) -> None:
        self.status.count(f"files {handled.outcome}")
        self.status.not_taken(handled.findings)
        self._arrived.set()
        text = f"{handled.name}: {handled.records} records taken, {handled.refused} refused"
        if handled.held:
            text += f"; {handled.held} of those taken held for a person"
        if handled.outcome == "refused":
            text += "; it is in refused/, a .why beside it says why"
        self._on_event(Event("file", text, handled))

    def _answered(self, answer: Answer) -> None:
        self.status.count(f"messages {answer.kind}")
        self.status.not_taken(answer.findings)
        if answer.kind in ("held", "rejected"):
            first = next((f for f in answer.findings if f.severity in ("error", "fatal")), None)
            word = first.id.removeprefix("v2-").replace("-", " ") if first else "see the outbox"
            place = _PLACE.search(first.message) if first else None  # the words beside it may name a patient
            where = f" {place[0]}" if place else ""
            self._on_event(Event("message", f"a message was {answer.kind}: {word}{where}"))

    def _trouble(self, word: str) -> None:
        self.status.count(f"connections {word}")
        self._on_event(Event("trouble", f"a connection was closed: {word.replace('-', ' ')}"))

    def _alert(self, alert: Alert) -> None:
        if alert.cleared:
            self._on_event(Event("cleared", f"no longer: {alert.text}"))
        else:
            self._on_event(Event("alert", alert.text))


def wait_until_listening(listener: Listener, seconds: float = 10.0) -> int:
    """The port, once the listener listens; 0 where it does not within the time. For tests and supervisors."""
    deadline = time.monotonic() + seconds
    while not listener.port and time.monotonic() < deadline:
        time.sleep(0.01)
    return listener.port
