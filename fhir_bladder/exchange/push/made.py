"""Room `exchange`: what the server says it has made and no search has shown yet. May import errors, wire.

Where a server's search lags behind its writes, what was made would be sent again and stand there twice. So it is
remembered, and read by its id; in the outbox too, since the process may be killed before a search shows it.
"""

from __future__ import annotations

import threading
from collections.abc import Hashable, Iterable, Sequence

from fhir_bladder import wire
from fhir_bladder.exchange.outbox import Outbox

MOST = 4096
"""Most resources that are remembered; the oldest go first."""

Resource = tuple[str, Hashable, str]
"""Type, what it is looked up by (system and value of an identifier, or the `Type/id` it points at), its `Type/id`."""


class Made:
    """Resources made on one server. Shared by all workers; another process reads it from the outbox when it starts."""

    def __init__(self, outbox: Outbox, target: str) -> None:
        self._outbox = outbox
        self._target = target
        self._lock = threading.Lock()
        self._known: dict[tuple[str, Hashable], str] = {}
        self._gone: list[tuple[str, str]] = []
        for kind, text, reference in outbox.made(target, MOST):
            name = wire.loads(text.encode())
            self._known[kind, tuple(name) if isinstance(name, list) else name] = reference

    def add(self, resources: Sequence[Resource]) -> None:
        """Remember resources, durably: nothing is concluded from an answer before this returns."""
        if not resources:
            return
        with self._lock:
            for kind, name, reference in resources:
                self._known.pop((kind, name), None)
                self._known[kind, name] = reference
            while len(self._known) > MOST:
                self._forget(next(iter(self._known)))
            gone, self._gone = self._gone, []
            # Inside the lock: what another worker makes again must not be dropped after it was kept.
            self._outbox.keep_made(self._target, [(kind, _text(name), at) for kind, name, at in resources], gone)

    def seen(self, kind: str, names: Iterable[Hashable]) -> None:
        """A search shows these now, or they are not there any more."""
        with self._lock:
            for name in names:
                if (kind, name) in self._known:
                    self._forget((kind, name))

    def among(self, kind: str, names: Iterable[Hashable]) -> dict[Hashable, str]:
        """Of these names, those that are remembered, each with its `Type/id`."""
        with self._lock:
            return {name: self._known[kind, name] for name in names if (kind, name) in self._known}

    def _forget(self, key: tuple[str, Hashable]) -> None:
        del self._known[key]
        self._gone.append((key[0], _text(key[1])))  # leaves the outbox with the next that come in


def _text(name: Hashable) -> str:
    return wire.dumps(name).decode()
