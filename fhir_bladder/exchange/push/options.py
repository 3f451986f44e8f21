"""Room `exchange`: what a push can be told. May import errors."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from fhir_bladder.errors import ConfigError


@dataclass(frozen=True, slots=True)
class PushOptions:
    """Options of push, named as on the command line.

    max_entries: most entries of one request; push shrinks it where the server refuses. concurrency: requests at once.
    chunk: exams claimed at a time. wait: go on until held-back rows are due, for a listener; else they stay waiting.
    """

    patients: Literal["match", "logical", "create"] = "match"
    devices: Literal["create", "match", "logical"] = "create"
    provenance: Literal["on", "off"] = "on"
    unverified: Literal["send", "hold"] = "send"
    max_entries: int = 200
    concurrency: int = 2
    chunk: int = 50
    allow_test: bool = False

    def __post_init__(self) -> None:
        for name, allowed in (
            ("patients", ("match", "logical", "create")),
            ("devices", ("create", "match", "logical")),
            ("provenance", ("on", "off")),
            ("unverified", ("send", "hold")),
        ):
            if getattr(self, name) not in allowed:
                raise ConfigError(f"{name} {getattr(self, name)!r} is not known", "", f"choose {', '.join(allowed)}")
        for name, most in (("max_entries", 10_000), ("concurrency", 64), ("chunk", 1000)):
            if not 1 <= getattr(self, name) <= most:
                raise ConfigError(f"{name} {getattr(self, name)} is out of range", "", f"choose 1 to {most:,}")
