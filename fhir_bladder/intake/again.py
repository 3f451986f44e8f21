"""Room `intake`: messages that could not be read, read again: for the day after the map was put right.

A sender that was told AA does not send again. What it sent is in the outbox; a listener reads it with the maps it has
now when it starts.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from typing import Any, Protocol
from zoneinfo import ZoneInfo

from fhir_bladder.errors import RecordError
from fhir_bladder.exchange.outbox import Accepted, Item
from fhir_bladder.intake.commit import Prepares
from fhir_bladder.readers.v2_map import V2Map
from fhir_bladder.readers.v2_records import read_message

BY = "fhir-bladder listen"


class Held(Protocol):
    """What is needed of an outbox."""

    def rows(self, state: str = "", *, target: str = "", older_than: dt.timedelta | None = None) -> Iterator[Any]:
        """Rows of a state."""
        ...

    def source(self, number: int) -> bytes:
        """The record as received."""
        ...

    def accept(self, target: str, items: Sequence[Item]) -> list[Accepted]:
        """Commit records."""
        ...

    def drop(self, name: str, *, by: str, reason: str) -> Any:
        """Give up a held row."""
        ...


def read_again(outbox: Held, target: str, preparer: Prepares, maps: V2Map, zone: ZoneInfo | None = None) -> int:
    """Read held messages again that could not be read; the number that could be now.

    What is read becomes a row of its own. The held one gives way to it at delivery where it has the same key; one
    without a key would stay for ever and is dropped, with the reason.
    """
    count = 0
    for row in list(outbox.rows("held", target=target)):
        if row.code != "unreadable" or row.map_sha256 == maps.sha256:
            continue
        data = outbox.source(row.id)
        if not data.startswith(b"MSH"):
            continue
        read = read_message(data, maps, zone, file=row.file)
        if any(item.record is None for item in read):
            continue
        outbox.accept(target, [preparer.record(item) for item in read])
        count += 1
        if not row.key:
            try:
                outbox.drop(row.name, by=BY, reason="read again with a new map")
            except RecordError:
                continue  # a person has decided in the meantime
    return count
