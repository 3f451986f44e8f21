"""Room `analysis`: what a table is asked for, and what came of it. May import errors and wire."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fhir_bladder import wire
from fhir_bladder.analysis import builtin, census, views
from fhir_bladder.analysis.pseudonyms import Pseudonyms
from fhir_bladder.analysis.sources import Rejected
from fhir_bladder.analysis.views import Column, CompiledView
from fhir_bladder.errors import BladderError, ConfigError, InputError


@dataclass
class TableResult:
    """What a run of `table` did.

    counts: resources by reason (`kept` first). rejected: lines and resources that could not be read or did not fit.
    refused: what was rejected, as it may be told. notes: sentences a person should read.
    errors: files that could not be read; each has its exit code.
    """

    rows: int = 0
    resources: int = 0
    counts: dict[str, int] = field(default_factory=dict)
    rejected: int = 0
    refused: list[Rejected] = field(default_factory=list)
    files: list[Path] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    errors: list[BladderError] = field(default_factory=list)
    columns: tuple[Column, ...] = ()

    @property
    def exit_codes(self) -> set[int]:
        """Exit codes that apply; empty where nothing was wrong."""
        return {error.exit_code for error in self.errors} | ({1} if self.rejected else set())


@dataclass(frozen=True)
class Request:
    """What is asked for; see `table`."""

    view: CompiledView
    builtin: str
    include: frozenset[str]
    key_system: str
    hide: Pseudonyms | None
    columns: tuple[Column, ...]


def why_empty(result: TableResult, asked: Request, rejected: Sequence[Rejected]) -> Iterator[str]:
    """Why there is no row, and what to do about it: sentences for a person; none where all is well."""
    if not result.resources and not rejected and not result.errors:
        yield "the input holds no resource — check that its source has finished"
    if result.rows or result.rejected:
        return
    if result.counts["kept"]:
        yield f"no row: none of the resources that count is of type {asked.view.resource} and fits the view"
    left_out = [reason for reason in ("synthetic", "preliminary") if result.counts[reason]]
    if left_out:
        counted = " and ".join(f"{result.counts[reason]:,} {reason}" for reason in left_out)
        yield f"left out: {counted}; --include {','.join(left_out)} takes them in"


def told(rejected: Sequence[Rejected], misfits: Sequence[Rejected], asked: Request) -> list[Rejected]:
    """What was rejected, as it may be told on a terminal, whose text ends in logs.

    Why a resource does not fit the view can quote the resource, so that stands in the file beside the table only; where
    identities are hidden no reason is told.
    """
    why = "does not fit the view — the file .rejected.ndjson beside the table says why"
    if asked.hide is None:
        return [*rejected, *(Rejected(one.file, one.line, why) for one in misfits)]
    why = "make the table without --pseudonyms to see why"
    return [Rejected(one.file, one.line, why) for one in (*rejected, *misfits)]


def request(
    view: str | Path | dict[str, Any],
    *,
    include: Collection[str] = (),
    key_system: str = "",
    pseudonyms: bytes | None = None,
    shift_dates: bool = False,
) -> Request:
    """Check and compile what is asked for. Raises ConfigError or UnsupportedError."""
    if unknown := set(include) - census.INCLUDABLE:
        raise ConfigError(
            f"cannot include {sorted(unknown)[0]!r}", "--include", f"use {', '.join(sorted(census.INCLUDABLE))}"
        )
    if shift_dates and pseudonyms is None:
        raise ConfigError("dates are shifted by the secret", "--shift-dates", "give --pseudonyms too")
    name = str(view) if isinstance(view, str) and view in builtin.NAMES else ""
    definition = _definition(view, name, key_system)
    try:
        compiled = views.compile(definition)
    except BladderError as error:
        if not isinstance(view, dict):
            error.where = f"{view} {error.where}".strip()
        raise
    hide = Pseudonyms(pseudonyms, shift=shift_dates) if pseudonyms is not None else None
    columns = compiled.columns + builtin.extra_columns(name)
    return Request(compiled, name, frozenset(include), key_system, hide, columns)


def _definition(view: str | Path | dict[str, Any], name: str, key_system: str) -> dict[str, Any]:
    if isinstance(view, dict):
        return view
    if name:
        return builtin.definition(name, key_system)
    path = Path(view)
    if not path.is_file():
        return builtin.definition(str(view))  # raises, and lists the names
    try:
        loaded = wire.loads(path.read_bytes())
    except OSError as error:
        reason = (error.strerror or "").lower()
        raise ConfigError(f"cannot read the view: {reason}", str(path), "check the path") from None
    except InputError as error:
        raise ConfigError(f"cannot read the view: {error}", str(path), "write a ViewDefinition as JSON") from None
    if not isinstance(loaded, dict):
        raise ConfigError("the view is no JSON object", str(path), "write a ViewDefinition")
    return loaded
