"""Room `exchange`: pull: Observations of a server, page by page, as they are or as exam records. May import mapping.

Nothing is changed on the way: decimals keep their digits, resources that are not ours pass through as they came. To a
file it can be resumed: what is there of it and the next page's link are kept beside it until it is complete.
"""

from __future__ import annotations

import contextlib
import os
import re
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any, Literal
from urllib.parse import quote

from fhir_bladder import mapping, wire
from fhir_bladder.errors import BladderError, ConfigError, RecordError, ServerError
from fhir_bladder.exchange.http.client import Client, next_link
from fhir_bladder.exchange.push.unit import Json
from fhir_bladder.exchange.shapes import relative
from fhir_bladder.mapping import keys
from fhir_bladder.terminology import names
from fhir_bladder.wire import disk, files

As = Literal["observations", "exams"]
OnProblem = Callable[[BladderError], None]

PAGE = 200
"""Resources asked for in one page; a server may give fewer."""

IDS = 40
"""Patients or Devices read in one search."""

_DATE = re.compile(r"\d{4}(-\d\d(-\d\d(T\d\d:\d\d(:\d\d(\.\d+)?)?(Z|[+-]\d\d:\d\d))?)?)?\Z", re.ASCII)


@dataclass(frozen=True, slots=True)
class Query:
    """What to pull. patient: (system, value). since, until: moments of the exam, FHIR dateTimes, both inclusive.

    everything: also Observations without a code of ours. Raises ConfigError for a time that is none.
    """

    patient: tuple[str, str] | None = None
    since: str = ""
    until: str = ""
    everything: bool = False
    page: int = PAGE

    def __post_init__(self) -> None:
        for name in ("since", "until"):
            value = getattr(self, name)
            if value and not _DATE.match(value):
                raise ConfigError(
                    f"{value[:40]!r} is not a time", f"--{name}", "write 2026-11-18 or with time and zone"
                )

    @property
    def parameters(self) -> str:
        """The search parameters, without the patient."""
        found = [] if self.everything else [f"code={quote(names.LOCAL, safe='')}%7C"]
        found += [f"date=ge{quote(self.since, safe=':')}"] if self.since else []
        found += [f"date=le{quote(self.until, safe=':')}"] if self.until else []
        return "&".join([*found, f"_count={self.page}"])


def patient_of(text: str) -> tuple[str, str]:
    """`SYSTEM|VALUE` of the command line. Raises ConfigError."""
    system, bar, value = text.rpartition("|")
    if not (bar and system and value):
        raise ConfigError("a patient is named by system and value", "--patient", "write SYSTEM|VALUE in quotes")
    return system, value


@dataclass(slots=True)
class Page:
    """The Observations of one page, and the link to the next."""

    resources: list[Json]
    following: str


@dataclass(slots=True)
class Pulled:
    """What a pull to a file came to. resumed: pages taken over from an earlier run."""

    lines: int = 0
    pages: int = 0
    resumed: int = 0


def pages(client: Client, query: Query, *, start: str = "") -> Iterator[Page]:
    """Pages of the search, from the first or from a link kept. Raises ServerError."""
    for first in [start] if start else _searches(client, query):
        for bundle in client.pages(first):
            entries = bundle.get("entry") or []
            found = [e["resource"] for e in entries if isinstance(e, dict) and isinstance(e.get("resource"), dict)]
            wanted = [r for r in found if r.get("resourceType") == "Observation"]
            yield Page(wanted, next_link(bundle) or "")


def _searches(client: Client, query: Query) -> list[str]:
    if query.patient is None:
        return [f"Observation?{query.parameters}"]
    found = list(client.pages(f"Patient?{keys.token(*query.patient)}"))
    patients = [
        entry["resource"]["id"]
        for bundle in found
        for entry in bundle.get("entry") or ()
        if entry.get("resource", {}).get("resourceType") == "Patient" and _is_named(entry["resource"], query.patient)
    ]
    if patients:
        subjects = ",".join(f"Patient/{number}" for number in patients)
        return [f"Observation?subject={quote(subjects, safe='/,')}&{query.parameters}"]
    token = keys.token(*query.patient).removeprefix("identifier=")
    return [f"Observation?subject:identifier={token}&{query.parameters}"]


def _is_named(resource: Json, pair: tuple[str, str]) -> bool:
    return any((i.get("system"), i.get("value")) == pair for i in resource.get("identifier", ()))


def pull(client: Client, query: Query, *, as_: As = "observations", on_problem: OnProblem) -> Iterator[Json]:
    """Observations, or exam records, as they come; for a file that can be resumed use `pull_to_file`.

    What cannot be read as an exam goes to `on_problem`, and so does an Observation that is not ours with `exams`.
    """
    if as_ == "observations":
        seen: set[str] = set()
        for page in pages(client, query):
            yield from _new(page.resources, seen)
        return
    yield from mapping.from_fhir(_with_others(client, pages(client, query)), on_problem=on_problem)


def _new(resources: Iterable[Json], seen: set[str]) -> Iterator[Json]:
    """Resources not given before: pages shift while a server takes in new ones."""
    for resource in resources:
        number = str(resource.get("id", ""))
        if not number or number not in seen:
            seen.add(number)
            yield resource


def _with_others(client: Client, source: Iterable[Page], seen: set[str] | None = None) -> Iterator[Json]:
    """Observations with the Patients and Devices they refer to before them."""
    seen = set() if seen is None else seen
    for page in source:
        resources = list(_new(page.resources, seen))
        yield from _referred(client, resources, seen)
        yield from resources


def _referred(client: Client, resources: Iterable[Json], seen: set[str]) -> Iterator[Json]:
    wanted: dict[str, list[str]] = {"Patient": [], "Device": []}
    for resource in resources:
        for element in ("subject", "device"):
            name = relative(str((resource.get(element) or {}).get("reference", "")))
            kind, _, number = name.partition("/")
            if kind in wanted and name not in seen:
                seen.add(name)
                wanted[kind].append(number)
    for kind, numbers in wanted.items():
        for start in range(0, len(numbers), IDS):
            part = numbers[start : start + IDS]
            query = f"{kind}?_id={quote(','.join(part), safe=',')}&_count={len(part) + 10}"
            for bundle in client.pages(query):
                for entry in bundle.get("entry") or ():
                    resource = entry.get("resource") or {}
                    if resource.get("resourceType") == kind and resource.get("id") in part:
                        yield resource


# -- to a file


def pull_to_file(
    client: Client,
    query: Query,
    path: str | Path,
    *,
    as_: As = "observations",
    on_problem: OnProblem,
    progress: Callable[[int], None] | None = None,
) -> Pulled:
    """Pull to an NDJSON file (mode 0600) that appears under its name when complete; the same call again resumes.

    Exams are made from the resources once all are there, since one exam's may stand on several pages.
    """
    path = Path(path)
    if path.is_dir():
        raise ConfigError("it is a folder", str(path), "name a file")
    draft, state = path.with_name(path.name + ".part"), path.with_name(path.name + ".state")
    try:
        result = _gather(client, query, draft, state, as_, progress)
        if as_ == "exams":
            made = path.with_name(path.name + ".exams.part")
            with _private(made) as out:
                result.lines = 0
                problems = _source(draft, on_problem)
                for record in mapping.from_fhir(problems, on_problem=on_problem):
                    out.write(wire.dumps(record) + b"\n")
                    result.lines += 1
                disk.sync(out)
            draft.unlink()
            draft = made
        draft.replace(path)
        disk.sync_folder(path.parent)
        state.unlink(missing_ok=True)
    except OSError as error:
        words = f"the file cannot be written: {(error.strerror or '').lower()}"
        raise ConfigError(words, str(path), "free space or name another file; the same command resumes") from None
    return result


def _source(draft: Path, on_problem: OnProblem) -> Iterator[Json]:
    for document in files.resources([draft], on_error=on_problem):
        yield document.value


def _gather(
    client: Client, query: Query, draft: Path, state: Path, as_: As, progress: Callable[[int], None] | None
) -> Pulled:
    name = {"server": str(client.base), "query": query.parameters, "patient": list(query.patient or ()), "as": as_}
    kept = _kept(draft, state, name)
    result = Pulled(kept.get("lines", 0), kept.get("pages", 0), kept.get("pages", 0))
    seen: set[str] = set()
    if kept and not kept["next"]:
        return result  # everything was there, only the end was not reached
    with _private(draft, size=kept.get("bytes", 0)) as out:
        if kept:
            seen.update(_names(draft))
        try:
            source = pages(client, query, start=kept.get("next", ""))
            for page in source:
                _add(client, page, out, result, seen, as_)
                _keep(state, name | {"next": page.following}, out, result)
                if progress is not None:
                    progress(result.lines)
        except ServerError as error:
            refused = getattr(error, "status", 0)
            if not (kept and 400 <= refused < 500 and result.pages == kept["pages"]):
                raise
            state.unlink(missing_ok=True)  # the link has expired on the server: begin again
            draft.unlink(missing_ok=True)
            return _gather(client, query, draft, state, as_, progress)
    return result


def _add(client: Client, page: Page, out: IO[bytes], result: Pulled, seen: set[str], as_: As) -> None:
    resources = list(_new(page.resources, seen))
    if as_ == "exams":
        resources = [*_referred(client, resources, seen), *resources]
    for resource in resources:
        out.write(wire.dumps(resource) + b"\n")
    result.lines += len(resources)
    result.pages += 1


def _names(draft: Path) -> Iterator[str]:
    """What a draft holds already: ids of Observations, `Type/id` of the others."""
    for document in files.resources([draft], on_error=lambda _: None):
        kind, number = document.value["resourceType"], str(document.value.get("id", ""))
        yield number if kind == "Observation" else f"{kind}/{number}"


def _kept(draft: Path, state: Path, name: Json) -> dict[str, Any]:
    """The state of an earlier run with the same question; empty where there is none that fits."""
    try:
        kept = wire.loads(state.read_bytes())
        size = draft.stat().st_size
    except (OSError, BladderError):
        return {}
    if not isinstance(kept, dict) or any(kept.get(k) != v for k, v in name.items()) or size < kept.get("bytes", 0):
        return {}
    return kept


def _keep(state: Path, values: Json, out: IO[bytes], result: Pulled) -> None:
    disk.sync(out)
    values = values | {"bytes": out.tell(), "lines": result.lines, "pages": result.pages}
    disk.replace(state, wire.dumps(values))


@contextlib.contextmanager
def _private(path: Path, *, size: int = 0) -> Iterator[IO[bytes]]:
    """A file for its owner only, cut to what is certain, open for writing at its end."""
    handle = os.open(path, os.O_CREAT | os.O_RDWR, 0o600)
    with os.fdopen(handle, "r+b") as file:
        file.truncate(size)
        file.seek(size)
        yield file


__all__ = ["Page", "Pulled", "Query", "RecordError", "pages", "patient_of", "pull", "pull_to_file"]
