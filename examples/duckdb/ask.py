"""Ask the tables of a folder with DuckDB.

    fhir-bladder table EXPORT --view exams -o tables/exams.parquet
    fhir-bladder table EXPORT --view measurements -o tables/measurements.parquet
    fhir-bladder table receipts.ndjson --view deliveries -o tables/deliveries.parquet
    python examples/duckdb/ask.py tables audit
    python examples/duckdb/ask.py tables study

The folder holds exams, measurements and, for some questions, deliveries, as .parquet or .csv.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

HERE = Path(__file__).parent
EMPTY = (
    "CREATE VIEW deliveries AS SELECT NULL::VARCHAR AS exam_key, NULL::VARCHAR AS state, NULL::VARCHAR AS code, "
    "NULL::VARCHAR AS reason, NULL::TIMESTAMPTZ AS delivered_at, NULL::TIMESTAMPTZ AS held_since WHERE false"
)


def connect(folder: Path) -> Any:
    """A DuckDB connection that sees the folder's tables; one thread, no network."""
    try:
        import duckdb
    except ImportError:
        raise SystemExit("these questions need DuckDB: pip install duckdb") from None

    connection = duckdb.connect(config={"threads": 1})
    connection.execute("SET TimeZone = 'UTC'")
    for name in ("exams", "measurements", "deliveries"):
        path = next((p for s in (".parquet", ".csv") if (p := folder / f"{name}{s}").is_file()), None)
        if path is None:
            if name != "deliveries":
                raise SystemExit(f"{name}.parquet or {name}.csv is not in {folder}: make it with fhir-bladder table")
            connection.execute(EMPTY)
            continue
        reader = "read_parquet" if path.suffix == ".parquet" else "read_csv"
        quoted = str(path).replace("'", "''")
        connection.execute(f"CREATE VIEW {name} AS SELECT * FROM {reader}('{quoted}')")  # noqa: S608 - quoted
    return connection


def questions(topic: str) -> Iterator[tuple[str, str]]:
    """Name and SQL of each question of a topic."""
    text = (HERE / f"{topic}.sql").read_text("utf-8")
    for part in re.split(r"^-- name: ", text, flags=re.MULTILINE)[1:]:
        name, _, sql = part.partition("\n")
        yield name.strip(), sql


def ask(folder: Path, topic: str) -> dict[str, list[dict[str, Any]]]:
    """The answers of a topic, by question."""
    connection = connect(folder)
    if topic == "study":
        connection.execute((HERE / "study_views.sql").read_text("utf-8"))
    answers = {}
    for name, sql in questions(topic):
        result = connection.execute(sql)
        heads = [column[0] for column in result.description]
        answers[name] = [dict(zip(heads, row, strict=True)) for row in result.fetchall()]
    return answers


def main() -> None:
    """Print the answers."""
    if len(sys.argv) != 3 or sys.argv[2] not in ("audit", "study"):
        raise SystemExit(__doc__)
    for name, rows in ask(Path(sys.argv[1]), sys.argv[2]).items():
        print(f"\n{name}")
        for row in rows[:20]:
            print("  " + ", ".join(f"{key} {value}" for key, value in row.items()))
        if len(rows) > 20:
            print(f"  … {len(rows) - 20} more rows")


if __name__ == "__main__":
    main()
