"""What an export folder holds, read by its ledger: for the tests of several rooms."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from fhir_bladder import wire
from fhir_bladder.errors import BladderError, InputError
from fhir_bladder.exchange.export.ledger import read_ledger


@dataclass(frozen=True, slots=True)
class DataFile:
    """An output file of an export folder, for who reads it: path, resource type, run, time of its export."""

    path: Path
    type: str
    run: int
    transaction_time: str


def data_files(folder: Path) -> list[DataFile]:
    """The output files of the completed runs, in order. Raises InputError where the folder is not a finished export
    or a file is not as the ledger says.
    """
    try:
        ledger = read_ledger(folder)
    except BladderError as error:
        raise InputError(error.what, error.where, error.remedy) from None
    if ledger is None:
        raise InputError("is no export folder: it has no ledger", str(folder), "export into it first")
    if not any(run.state == "complete" for run in ledger.runs):
        raise InputError("the export is not finished", str(folder), "run the same export command again")
    found = []
    for run in ledger.runs:
        for entry in run.files if run.state == "complete" else ():
            if entry.kind == "output":
                path = folder / entry.name
                if not path.is_file() or path.stat().st_size != entry.bytes:
                    raise InputError("is not as the ledger says", str(path), "export again into a new folder")
                found.append(DataFile(path, entry.type, run.number, run.transaction_time))
    return found


def tombstones(folder: Path) -> dict[tuple[str, str], int]:
    """(type, id) → number of the run that reported it deleted; a copy from that run or an earlier one is void.

    A resource that comes again in a later run lives again.
    """
    gone: dict[tuple[str, str], int] = {}
    ledger = read_ledger(folder)
    for run in ledger.runs if ledger else ():
        path = folder / "deleted" / f"tombstones.{run.number:03}.ndjson"
        if run.state == "complete" and path.is_file():
            with path.open("rb") as stream:
                for line in wire.iter_lines(stream):
                    stone = wire.loads(line.data)
                    gone[stone["resourceType"], stone["id"]] = run.number
    return gone
