"""Room `exchange`: push: records into the outbox, then from the outbox to the server. May import errors, mapping.

One thread takes records in and commits them in groups; `concurrency` workers claim what is committed and deliver it.
Reading and mapping thus go on while requests are under way, and memory holds a few groups however long the input is.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field

from fhir_bladder.errors import BladderError, ConfigError, ServerError, UnfinishedError
from fhir_bladder.exchange.http.client import Client
from fhir_bladder.exchange.http.origin import parse_base
from fhir_bladder.exchange.http.retry import Deadline, Retry
from fhir_bladder.exchange.outbox import STATES, Item, Numbers, Outbox, Result, Row
from fhir_bladder.exchange.push.act import Sizes
from fhir_bladder.exchange.push.capability import read as read_capability
from fhir_bladder.exchange.push.deliver import Delivery
from fhir_bladder.exchange.push.link import Link, OneTry, Server
from fhir_bladder.exchange.push.options import PushOptions
from fhir_bladder.exchange.push.receipts import Receipts

GROUP = 100
"""Records of one commit: 100 share one sync of the disk."""

WAIT_FOR_OTHERS_S = 60.0
"""How long to wait for rows that another living process is sending."""

Progress = Callable[[int, int], None]


@dataclass(slots=True)
class Summary:
    """What became of a push. counts: state → how many of the given records (one given twice counts once).

    worked: rows finished in this run, also ones given earlier. seconds: whole run; waited: of these, with at least one
    request under way. error: what ended it early.
    """

    given: int = 0
    counts: dict[str, int] = field(default_factory=lambda: dict.fromkeys(STATES, 0))
    worked: int = 0
    left: int = 0
    requests: int = 0
    seconds: float = 0.0
    waited: float = 0.0
    error: BladderError | None = None
    numbers: Numbers = field(default_factory=Numbers, repr=False)

    @property
    def exit_codes(self) -> set[int]:
        """4 where the server refused us, 5 where work is left, 1 where a record is held or dropped."""
        codes: set[int] = set()
        if self.error is not None:
            codes.add(self.error.exit_code)
        if self.left or self.counts["waiting"] or self.counts["sending"]:
            codes.add(5)
        if self.counts["held"] or self.counts["dropped"]:
            codes.add(1)
        return codes


def check_target(server: str, options: PushOptions) -> tuple[str, bool]:
    """The server's base URL as the outbox keeps it, and whether it is on this machine.

    Raises ConfigError for `--patients create` on a server elsewhere without `--allow-test`.
    """
    url = parse_base(server)
    if options.patients == "create" and not (url.origin.loopback or options.allow_test):
        raise ConfigError(
            "patients are created on test servers only", str(url.origin), "use --patients match, or add --allow-test"
        )
    return str(url), url.origin.loopback


class Push:
    """One run of push on an outbox. `run` may be called again, for a listener; `stop` ends it from another thread.

    server: a Client (its writes are then sent once each), or what acts like one.
    """

    def __init__(
        self,
        outbox: Outbox,
        server: Server,
        target: str,
        options: PushOptions,
        *,
        key_system: str,
        receipts: Receipts | None = None,
        deadline: Deadline | None = None,
        retry: Retry | None = None,
        progress: Progress | None = None,
        sleep: Callable[[float], object] | None = None,
    ) -> None:
        self._outbox = outbox
        self._target, _ = check_target(target, options)
        self._options = options
        self._receipts = receipts
        self._progress = progress
        server = OneTry(server) if isinstance(server, Client) else server
        self._link = Link(server, deadline=deadline, retry=retry, sleep=sleep)
        self._delivery: Delivery | None = None
        self._changed = threading.Condition()
        self._preparing = threading.Lock()
        self._taken_in = False
        self._active = 0
        self._error: BaseException | None = None
        self._accepted = 0
        self._worked = 0
        outbox.keep_key_system(key_system)

    def stop(self) -> None:
        """End soon; what is not done stays queued."""
        self._link.stop()
        with self._changed:
            self._changed.notify_all()

    def run(self, items: Iterable[Item] = (), *, respect_delays: bool = False) -> Summary:
        """Take in the items, deliver them and what waited before, and say what became of it.

        respect_delays: leave rows that are held back for some seconds (a listener calls again); else they are due now.

        Every item is committed before anything of it is sent, also where the server cannot be reached. Raises what
        the outbox or the input raises; trouble with the server is in `Summary.error`.
        """
        began = time.monotonic()
        summary = Summary()
        self._taken_in, self._error, self._worked, self._accepted = False, None, 0, 0
        self._link.begin()
        self._outbox.take_over(self._target)
        if not respect_delays:
            self._outbox.wake(self._target)
        workers = [
            threading.Thread(target=self._work, name=f"push-{n}", daemon=True) for n in range(self._options.concurrency)
        ]
        started = False
        try:
            for group in _groups(items):
                self._take_in(group, summary)
                if not started:
                    started = True
                    for worker in workers:
                        worker.start()
            if not started:
                for worker in workers:
                    worker.start()
                started = True
        except BaseException:
            self.stop()
            raise
        finally:
            with self._changed:
                self._taken_in = True
                self._changed.notify_all()
            if started:
                self._join(workers)
            self._outbox.give_back()
        self._finish(summary)
        summary.seconds = time.monotonic() - began
        return summary

    def _join(self, workers: Sequence[threading.Thread]) -> None:
        try:
            for worker in workers:
                while worker.is_alive():
                    worker.join(0.5)
        except BaseException:
            self.stop()
            for worker in workers:
                worker.join()
            raise

    def _take_in(self, group: Sequence[Item], summary: Summary) -> None:
        accepted = self._outbox.accept(self._target, group)
        summary.given += len(group)
        summary.numbers.update(found.id for found in accepted)
        self._accepted += len(accepted)
        ended = [found.id for found in accepted if found.state not in ("waiting", "sending")]
        if self._receipts is not None and ended:
            self._receipts.write(self._outbox.row(number) for number in ended)
        with self._changed:
            self._worked += len(ended)
            self._changed.notify_all()
        self._tell()

    def _finish(self, summary: Summary) -> None:
        summary.counts.update(self._outbox.states_of(summary.numbers))
        summary.left = sum(self._outbox.counts(self._target)[state] for state in ("waiting", "sending"))
        summary.worked, summary.requests, summary.waited = self._worked, self._link.requests, self._link.waited
        error = self._error
        if isinstance(error, BladderError):
            summary.error = error
        elif error is not None:
            raise error

    def _tell(self) -> None:
        if self._progress is not None:
            self._progress(self._worked, self._accepted)

    # -- workers

    def _work(self) -> None:
        try:
            since = time.monotonic()
            while self._error is None:
                self._link.check()
                # Nothing is asked of a server that nothing is to be sent to.
                delivery = self._ready() if self._delivery or self._outbox.next_due(self._target) == 0 else None
                rows = self._claim() if delivery else []
                if delivery and rows:
                    self._deliver(delivery, rows)
                    since = time.monotonic()
                elif self._done(since):
                    return
        except BaseException as error:  # noqa: BLE001 - handed to the thread that called run
            with self._changed:
                if self._error is None or not isinstance(error, BladderError):
                    self._error = error
                self._changed.notify_all()
            self._link.halt()

    def _ready(self) -> Delivery:
        """Read the server's metadata once, by the first worker."""
        with self._preparing:
            if self._error is not None:
                raise UnfinishedError("stopped before the end", "", "run the same command again")
            if self._delivery is None:
                capability = read_capability(self._link)
                self._delivery = Delivery(
                    self._outbox, self._target, self._link, capability, self._options, Sizes(self._options.max_entries)
                )
            return self._delivery

    def _claim(self) -> list[Row]:
        with self._changed:
            rows = self._outbox.claim(self._target, self._options.chunk)
            self._active += bool(rows)
        return rows

    def _deliver(self, delivery: Delivery, rows: Sequence[Row]) -> None:
        try:
            delivery.deliver(rows, self._settle)
        finally:
            with self._changed:
                self._active -= 1
                self._changed.notify_all()

    def _settle(self, results: Sequence[Result]) -> None:
        if not results:
            return
        self._outbox.record(results)
        if self._receipts is not None:
            self._receipts.write(self._outbox.row(result.id) for result in results)
        with self._changed:
            self._worked += len(results)
            self._changed.notify_all()
        self._tell()

    def _done(self, since: float) -> bool:
        """Whether nothing more can come; else wait a moment for it."""
        with self._changed:
            if self._taken_in and not self._active:
                counts = self._outbox.counts(self._target)
                if not counts["sending"] and self._outbox.next_due(self._target) != 0:
                    return True
                if counts["sending"]:
                    if self._outbox.take_over(self._target):
                        return False
                    if time.monotonic() - since > WAIT_FOR_OTHERS_S:
                        return True
            self._changed.wait(0.1)
        return False


def _groups(items: Iterable[Item]) -> Iterator[list[Item]]:
    group: list[Item] = []
    for item in items:
        group.append(item)
        if len(group) >= GROUP:
            yield group
            group = []
    if group:
        yield group


__all__ = ["Push", "PushOptions", "ServerError", "Summary", "check_target"]
