"""Room `analysis`: a finished table to its name, and the files that stand beside it. May import errors and wire.

`x.csv` gets `x.dictionary.csv`, `x.excluded.csv`, `x.manifest.json`, and where there are any `x.older.ndjson` (older
versions as they were) and `x.rejected.ndjson` (place and reason). Where identities are hidden, older versions are not
written and reasons, which may quote the source, are not given.
"""

from __future__ import annotations

import contextlib
import shutil
from collections.abc import Iterator, Sequence
from pathlib import Path

from fhir_bladder import wire
from fhir_bladder.analysis import census, dictionary
from fhir_bladder.analysis.manifest import manifest, name_of
from fhir_bladder.analysis.request import Request, TableResult
from fhir_bladder.analysis.sources import Rejected
from fhir_bladder.errors import ConfigError
from fhir_bladder.wire import disk


def write_beside(
    target: Path,
    made: Path,
    result: TableResult,
    asked: Request,
    rejected: Sequence[Rejected],
    misfits: Sequence[Rejected],
    digests: dict[str, str],
    older: Path | None,
) -> None:
    """Put everything in place; the names go into `result.files`. made: the finished rows. digests: hex, by file."""
    make_folder(target)
    hide = asked.hide is not None
    place(target, made, result)
    entries = dictionary.entries(asked.view, asked.columns)
    put(target, "dictionary.csv", dictionary.as_csv(dictionary.HEADS, entries), result)
    flow = _flow(result, len(rejected), len(misfits))
    put(target, "excluded.csv", dictionary.as_csv(("step", "resources"), flow), result)
    if older is not None:
        place(target.with_suffix(".older.ndjson"), older, result)
    if rejected or misfits:
        lines = [_rejected(one, hide) for one in (*rejected, *misfits)]
        put(target, "rejected.ndjson", b"\n".join(lines) + b"\n", result)
    put(target, "manifest.json", manifest(asked, result, digests, target), result)


def _rejected(one: Rejected, hide: bool) -> bytes:
    if hide:
        return wire.dumps({"line": one.line, "reason": "rejected; make the table without pseudonyms to see why"})
    return wire.dumps({"file": name_of(one.file), "line": one.line, "reason": one.reason, "text": one.text})


def _flow(result: TableResult, rejected: int, misfits: int) -> list[tuple[str, int]]:
    """The exclusion table, from all that was read to the rows."""
    counts = result.counts
    flow = [("read", result.resources + rejected), ("rejected: not readable", rejected)]
    flow += [(f"left out: {reason}", counts[reason]) for reason in census.REASONS[1:]]
    flow += [("kept", counts["kept"]), ("rejected: does not fit the view", misfits)]
    return [*flow, ("rows of the table", result.rows)]


def make_folder(target: Path) -> None:
    """The folder of a table. Raises ConfigError, as the others here."""
    with _explained(target):
        target.parent.mkdir(parents=True, exist_ok=True)


def put(target: Path, suffix: str, data: bytes, result: TableResult) -> None:
    """A file beside the table: `x.csv` gets `x.<suffix>`."""
    path = target.with_suffix("." + suffix)
    near = path.with_name(f".{path.name}.part")
    with _explained(path, near):
        near.write_bytes(data)
        _finish(near, path, result)


def place(target: Path, made: Path, result: TableResult) -> None:
    """A finished file to its name."""
    near = target.with_name(f".{target.name}.part")
    with _explained(target, near):
        shutil.copyfile(made, near)
        _finish(near, target, result)


@contextlib.contextmanager
def _explained(path: Path, draft: Path | None = None) -> Iterator[None]:
    """Say which file could not be written; its draft does not stay behind."""
    try:
        yield
    except OSError as error:
        if draft is not None:
            draft.unlink(missing_ok=True)
        raise ConfigError(
            f"cannot be written: {(error.strerror or '').lower()}", str(path), "name another file with -o"
        ) from None


def _finish(near: Path, target: Path, result: TableResult) -> None:
    """A file that is there is whole."""
    with near.open("rb+") as stream:
        disk.sync(stream)
    near.replace(target)
    result.files.append(target)
