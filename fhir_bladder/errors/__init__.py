"""Room `errors`: one exception tree, and the finding that every check reports. Imports nothing of ours.

BladderError              carries what is wrong, where, and what a person should do next
├── RecordError           one record or resource is refused; the others go on        exit 1
├── InputError            a file cannot be read                                      exit 3
├── ConfigError           a configuration, map or credential file cannot be used     exit 3
├── UnsupportedError      a profile, view or expression uses what we do not support  exit 3
├── ServerError           the server cannot be reached or refuses us                 exit 4
└── UnfinishedError       stopped before the end, safe to run again                  exit 5
"""

from __future__ import annotations

from fhir_bladder.errors.finding import SEVERITIES, Finding

__all__ = [
    "SEVERITIES",
    "BladderError",
    "ConfigError",
    "Finding",
    "InputError",
    "RecordError",
    "ServerError",
    "UnfinishedError",
    "UnsupportedError",
    "combined_exit_code",
]


class BladderError(Exception):
    """Base of every error a user can meet.

    what: one clause, no full stop. where: file, line, field, URL without personal data. remedy: what to do next.
    """

    exit_code = 1

    def __init__(self, what: str, where: str = "", remedy: str = "") -> None:
        super().__init__(what)
        self.what = what
        self.where = where
        self.remedy = remedy

    def __str__(self) -> str:
        return " — ".join(part for part in (self.what, self.where, self.remedy) if part)


class RecordError(BladderError):
    """One record or resource is refused. `field` is its path in the record (`scans.0.volume.unit`)."""

    exit_code = 1

    def __init__(self, what: str, where: str = "", remedy: str = "", *, field: str = "") -> None:
        super().__init__(what, where, remedy)
        self.field = field


class InputError(BladderError):
    """A file cannot be read as what it should be."""

    exit_code = 3


class ConfigError(BladderError):
    """A configuration file, map, code table or credential cannot be used."""

    exit_code = 3


class UnsupportedError(BladderError):
    """A profile, view or expression uses a feature that is refused by name rather than judged wrongly."""

    exit_code = 3


class ServerError(BladderError):
    """The server cannot be reached, refuses us or breaks the protocol. Queued work stays queued."""

    exit_code = 4


class UnfinishedError(BladderError):
    """Stopped before the end (deadline, interruption); running the same command again goes on."""

    exit_code = 5


def combined_exit_code(codes: set[int]) -> int:
    """The exit code where several hold: 3, then 4, 5, 1; 0 where none does."""
    return next((code for code in (3, 4, 5, 1) if code in codes), 0)
