"""Room `exchange`: what an export tells while it works, under the names of the SMART Bulk Data export log.

kickoff, status_progress, status_error, status_complete, download_request, download_complete, download_error,
export_complete (event names and details as written by smart-on-fhir/bulk-data-client, src/app.ts). Left out on purpose:
URLs, bodies and the server's own words; `file` is our file name.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fhir_bladder import wire
from fhir_bladder.exchange.export.ledger import disk
from fhir_bladder.exchange.http.retry import now_utc

LOG = Path("log") / "export.ndjson"


@dataclass(frozen=True, slots=True)
class Event:
    """One thing that happened: its name and details that hold no personal data and no URL."""

    id: str
    detail: dict[str, Any] = field(default_factory=dict)


class EventLog:
    """Appends events to `log/export.ndjson` in the export folder."""

    def __init__(self, folder: Path, export_id: str) -> None:
        self._path = folder / LOG
        self._export_id = export_id

    def write(self, event: Event) -> Event:
        """Append and give back."""
        line = {
            "exportId": self._export_id,
            "timestamp": now_utc().isoformat(timespec="milliseconds"),
            "eventId": event.id,
            "eventDetail": event.detail,
        }
        with disk(self._path):
            self._path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
            descriptor = os.open(self._path, os.O_CREAT | os.O_APPEND | os.O_WRONLY, 0o600)
            with os.fdopen(descriptor, "ab") as stream:
                stream.write(wire.dumps(line) + b"\n")
        return event
