"""Room `exchange`: what to export and where to, checked before anything is asked; the lock, the private state file."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from urllib.parse import quote

from fhir_bladder import wire
from fhir_bladder.errors import ConfigError, UnfinishedError
from fhir_bladder.exchange.export.ledger import LEDGER, PART, disk, read_whole, write_whole
from fhir_bladder.wire.disk import sync_folder

STATE = ".export-state.json"
_LOCK = ".export-lock"
_ID = re.compile(r"[A-Za-z0-9.-]{1,64}")
_TYPE = re.compile(r"[A-Z][A-Za-z]{1,63}")
_INSTANT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d{1,9})?(Z|[+-]\d\d:\d\d)")


@dataclass(frozen=True, slots=True)
class ExportOptions:
    """Where to and what.

    level: system, patient or group (then `group` is its id). types: resource types, all if empty. type_filters: FHIR
    searches such as `Observation?category=imaging`, joined by OR. since, until: FHIR instants; since `auto` goes on
    from the folder's last completed export. longest_wait: cap in seconds on the waits a server asks for while polling.
    post: kick off by POST from the start. search: what to do without `$export`: page through searches instead.
    """

    folder: Path
    level: str = "system"
    group: str = ""
    types: tuple[str, ...] = ()
    type_filters: tuple[str, ...] = ()
    since: str = ""
    until: str = ""
    cancel: bool = False
    post: bool = False
    longest_wait: float = 300.0
    search: bool = True

    def check(self) -> None:
        """Raises ConfigError for what cannot be meant."""
        if self.level not in ("system", "patient", "group"):
            raise ConfigError(f"level {self.level} is unknown", "--level", "write system, patient or group")
        if (self.level == "group") != bool(self.group):
            raise ConfigError("level group and a group id go together", "--group", "give both or neither")
        if self.group and not _ID.fullmatch(self.group):
            raise ConfigError("is no FHIR id", "--group", "give the id of the Group resource, like ward-7")
        for name in self.types:
            if not _TYPE.fullmatch(name):
                raise ConfigError(f"{name[:40]!r} is no resource type", "--type", "write it like Observation")
        for text in self.type_filters:
            kind, mark, query = text.partition("?")
            if not _TYPE.fullmatch(kind) or not mark or not query or not text.isprintable() or "#" in text:
                raise ConfigError(
                    "is no search of one type", "--type-filter", "write it like Observation?category=imaging"
                )
            if self.types and kind not in self.types:
                raise ConfigError(f"filters {kind}, which --type leaves out", "--type-filter", f"add --type {kind}")
        for name, text in (("--since", self.since), ("--until", self.until)):
            if text and not _INSTANT.fullmatch(text) and not (name == "--since" and text == "auto"):
                raise ConfigError("is no FHIR instant", name, "write it like 2026-11-01T00:00:00Z")

    def parameters(self) -> dict[str, Any]:
        """What makes two exports the same, for the ledger. `auto` is a continuation and not part of it."""
        return {
            "level": self.level,
            "group": self.group,
            "types": sorted(self.types),
            "type_filters": sorted(self.type_filters),
            "since": "" if self.since == "auto" else self.since,
            "until": self.until,
        }

    def path(self) -> str:
        """The operation's path below the base URL."""
        start = {"system": "", "patient": "Patient/", "group": f"Group/{self.group}/"}[self.level]
        return f"{start}$export"

    def query(self, since: str) -> list[tuple[str, str]]:
        """Kick-off parameters, types one by one."""
        pairs = [("_outputFormat", "application/fhir+ndjson")]
        pairs += [("_type", name) for name in self.types]
        pairs += [("_typeFilter", text) for text in self.type_filters]
        pairs += [(name, text) for name, text in (("_since", since), ("_until", self.until)) if text]
        return pairs

    def _joined(self, since: str, *names: str) -> list[tuple[str, str]]:
        """The parameters, those of these names as one with commas between."""
        pairs: dict[tuple[str, str], str] = {}
        for name, text in self.query(since):
            key = (name, "" if name in names else text)
            pairs[key] = f"{pairs[key]},{text}" if key in pairs else text
        return [(name, text) for (name, _), text in pairs.items()]

    def get_path(self, since: str, *, listed: bool = False) -> str:
        """Path and query of a GET kick-off; types in one comma-separated parameter (STU2, STU3).

        listed: filters too, as STU2 has them.
        """
        pairs = self._joined(since, "_type", *(("_typeFilter",) if listed else ()))
        return self.path() + "?" + "&".join(f"{name}={quote(text, safe=',')}" for name, text in pairs)

    def post_body(self, since: str, *, joined: bool, listed: bool = False) -> dict[str, Any]:
        """Parameters of a POST kick-off; types joined by commas (STU2, STU3), or each by itself (STU4)."""
        pairs = self._joined(since, *(("_type",) if joined else ()), *(("_typeFilter",) if listed else ()))
        kind = {"_since": "valueInstant", "_until": "valueInstant"}
        return {
            "resourceType": "Parameters",
            "parameter": [{"name": name, kind.get(name, "valueString"): text} for name, text in pairs],
        }


@dataclass(slots=True)
class State:
    """What a running export needs to go on, URLs included, so mode 600; gone when the export is complete.

    shapes: kind, type and count of the manifest's files when downloading began.
    """

    folder: Path
    status_url: str = ""
    search: bool = False
    transaction_time: str = ""
    shapes: list[list[Any]] = field(default_factory=list)

    def save(self) -> None:
        """Write the state durably."""
        content = {name: getattr(self, name) for name in ("status_url", "search", "transaction_time", "shapes")}
        write_whole(self.folder / STATE, wire.dumps(content))

    def remove(self) -> None:
        """Forget it."""
        with disk(self.folder / STATE):
            (self.folder / STATE).unlink(missing_ok=True)
            sync_folder(self.folder)


def read_state(folder: Path) -> State | None:
    """The state of an unfinished export; None where there is none or it cannot be used."""
    try:
        content = read_whole(folder / STATE)
        return State(folder, **content) if isinstance(content, dict) else None
    except (ConfigError, TypeError):
        return None


@contextlib.contextmanager
def locked(folder: Path) -> Iterator[None]:
    """Make the folder (mode 700), keep other exports out of it, clear what a killed one left half written."""
    with disk(folder):
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        lock = (folder / _LOCK).open("wb")
    with lock:
        try:
            import fcntl
        except ImportError:  # pragma: no cover - Windows has no such lock
            pass
        else:
            try:
                fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except OSError:
                raise UnfinishedError(
                    "another export is at work in this folder", str(folder), "wait for it or choose another folder"
                ) from None
        with disk(folder):
            for part in [*folder.glob(f"*{PART}"), *folder.glob(f"*/*{PART}")]:
                part.unlink(missing_ok=True)
        yield
        (folder / _LOCK).unlink(missing_ok=True)


def check_folder(folder: Path) -> None:
    """A folder without ledger must be empty: nobody's files get mixed with an export."""
    ours = (STATE, _LOCK, "log", f"{LEDGER}{PART}", f"{STATE}{PART}")  # what a kill before the first ledger leaves
    if folder.is_dir() and any(one.name not in ours for one in folder.iterdir()):
        raise ConfigError("the folder holds other files", str(folder), "choose a new or an empty folder")
