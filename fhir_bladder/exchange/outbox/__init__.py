"""Room `exchange`: the outbox, where every record is committed before anything is sent. May import errors, wire.

One SQLite file (WAL, `synchronous=FULL`, mode 0600). A row is one version of one exam for one server:

    waiting → sending → delivered | held | superseded | waiting again         held → waiting | dropped

`held` needs a person and has an age. Two processes may work on one file: a row is claimed by one of them, and what
a killed process had claimed is taken over.

The parts: `schema` (tables, versions, owners), `file` (transactions, settings), `intake`,
`work`, `ask`, `decide`, `keep`, and `rows` for the values they share.
"""

from __future__ import annotations

import contextlib
import sqlite3

from fhir_bladder.errors import ConfigError, RecordError
from fhir_bladder.exchange.outbox.decide import RELEASABLE, Decide
from fhir_bladder.exchange.outbox.intake import Intake
from fhir_bladder.exchange.outbox.keep import Keep
from fhir_bladder.exchange.outbox.rows import Accepted, Decision, Item, Numbers, Result, Row
from fhir_bladder.exchange.outbox.schema import STATES
from fhir_bladder.exchange.outbox.work import Work

__all__ = ["RELEASABLE", "STATES", "Accepted", "Decision", "Item", "Numbers", "Outbox", "Result", "Row"]


class Outbox(Intake, Work, Decide, Keep):
    """The outbox file. Safe to share between threads; other processes may have it open too.

    Raises ConfigError where the file cannot be used, UnfinishedError where the disk is full or the file locked.
    """

    def close(self) -> None:
        """Close the file; claims still open go back to waiting."""
        with self._lock:
            try:
                with contextlib.suppress(ConfigError, RecordError, sqlite3.Error):
                    self.give_back()
            finally:
                super().close()
