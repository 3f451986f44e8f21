"""Messages a second into the outbox, durable, against bare SQLite commits of the same bytes in the same run."""

from __future__ import annotations

import sqlite3
import statistics
import threading
import time
from pathlib import Path
from typing import Any

import pytest

CONNECTIONS, EACH = 16, 40
LEAST_RATIO = 0.05
"""Below this something is badly wrong; the figure printed is what counts, since it depends on the disk."""


def bare_commits(folder: Path, messages: list[bytes]) -> float:
    """Commits a second, one a message, as durable as the outbox."""
    with sqlite3.connect(folder / "bare.sqlite", isolation_level=None) as connection:
        connection.execute("PRAGMA journal_mode = WAL")
        connection.execute("PRAGMA synchronous = FULL")
        connection.execute("CREATE TABLE message (id INTEGER PRIMARY KEY, data BLOB)")
        began = time.perf_counter()
        for data in messages:
            connection.execute("INSERT INTO message (data) VALUES (?)", (data,))
        return len(messages) / (time.perf_counter() - began)


@pytest.mark.long
def test_messages_a_second(listening: Any, client: Any, message: Any, tmp_path: Path, capsys: Any) -> None:
    one, port = listening()
    latencies: list[float] = []
    everything = [[message(n * EACH + i) for i in range(EACH)] for n in range(CONNECTIONS)]

    def send(messages: list[bytes]) -> None:
        with client(port) as sender:
            for data in messages:
                began = time.perf_counter()
                assert b"MSA|AA" in sender.ask(data)
                latencies.append(time.perf_counter() - began)

    threads = [threading.Thread(target=send, args=(messages,)) for messages in everything]
    began = time.perf_counter()
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    rate = CONNECTIONS * EACH / (time.perf_counter() - began)
    assert len(latencies) == CONNECTIONS * EACH == len(one.exams())
    bare = bare_commits(tmp_path, [data for messages in everything for data in messages])
    cuts = statistics.quantiles(latencies, n=100)
    with capsys.disabled():
        print(
            f"\n{rate:,.0f} messages/s over {CONNECTIONS} connections, {rate / bare:.2f} of {bare:,.0f} commits/s; "
            f"latency p50 {cuts[49] * 1000:.0f} ms, p95 {cuts[94] * 1000:.0f} ms, p99 {cuts[98] * 1000:.0f} ms"
        )
    assert rate / bare > LEAST_RATIO
