"""Room `analysis`: the same table in PySpark (extra `spark`), the compiled view over NDJSON shards. May import errors.

The counting rules see every resource, so they need all shards: a first stage reads the headers in parallel, the driver
settles what counts, a second stage makes the rows in parallel. Rows come back in the order of the input.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import IO

from fhir_bladder.analysis.request import Request, TableResult
from fhir_bladder.errors import UnsupportedError


def table(
    paths: Sequence[str | Path], asked: Request, target: Path | None, *, stream: IO[bytes] | None, kind: str
) -> TableResult:
    """Make the table with Spark; see `tables.table`. Raises UnsupportedError where PySpark is not installed."""
    try:
        import pyspark  # noqa: F401
    except ImportError:
        raise UnsupportedError(
            "the Spark engine needs PySpark and Java 17", "--engine spark", "pip install 'fhir-bladder[spark]'"
        ) from None
    raise UnsupportedError("the Spark engine is not here yet", "--engine spark", "use --engine local")
