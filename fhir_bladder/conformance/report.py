"""Room `conformance`: collects what is wrong, with its place. Belongs here: paths, hints and making findings."""

from __future__ import annotations

from collections.abc import Iterable
from functools import lru_cache
from typing import Any

from fhir_bladder.conformance.positions import Places, Step
from fhir_bladder.errors import Finding

_LEVELS = {"fatal": 0, "error": 1, "warning": 2, "information": 3}
MAX_TEXT = 300


class Path:
    """A place in a resource: steps for JSON, text for FHIRPath, linked to the place around it."""

    __slots__ = ("parent", "resource", "step", "text")

    def __init__(self, parent: Path | None = None, step: Step | None = None, text: str = "") -> None:
        self.parent, self.step, self.text = parent, step, text
        self.resource = ""

    def down(self, key: str, text: str) -> Path:
        """The place under a JSON key; `text` is its FHIRPath step with the dot."""
        return Path(self, key, text)

    def at(self, index: int) -> Path:
        """One item of an array, from 0."""
        return Path(self, index, f"[{index}]")

    def named(self, name: str) -> Path:
        """The same place, known as a resource of that type; named by it where it is the top."""
        here = self if self.parent is not None else Path(None, self.step, name)
        here.resource = name
        return here

    def beside(self) -> Path:
        """The `_key` object beside a primitive (or its item in the `_key` array)."""
        if isinstance(self.step, int) and self.parent is not None:
            return Path(self.parent.beside(), self.step, self.text)
        if isinstance(self.step, str) and not self.step.startswith("_"):
            return Path(self.parent, "_" + self.step, self.text)
        return self

    def fhirpath(self) -> str:
        """The path as FHIRPath."""
        parts = []
        here: Path | None = self
        while here is not None:
            parts.append(here.text)
            here = here.parent
        return "".join(reversed(parts))

    def element(self) -> str:
        """The path of the element in its own resource, as definitions write it: `Observation.component.code`."""
        parts = []
        here: Path | None = self
        while here is not None and not here.resource:
            parts.append(here.text.partition(".ofType(")[0] if here.text[:1] == "." else "")
            here = here.parent
        return (here.resource if here is not None else "") + "".join(reversed(parts))

    def steps(self) -> list[Step]:
        """Keys and indexes from the top of the JSON text."""
        result: list[Step] = []
        here: Path | None = self
        while here is not None:
            if here.step is not None:
                result.append(here.step)
            here = here.parent
        result.reverse()
        return result


class Spot(Path):
    """A place known by its character offset, for what has no path of its own."""

    __slots__ = ("offset",)

    def __init__(self, offset: int, key: str) -> None:
        super().__init__(None, None, key)
        self.offset = offset


def show(value: Any) -> str:
    """A value in a few characters, as JSON."""
    from fhir_bladder import wire

    text = wire.dumps(value).decode("utf-8", "replace")
    return text if len(text) <= 120 else text[:117] + "…"


def near(word: str, options: Iterable[str]) -> str:
    """`did you mean …?` for the nearest option, or nothing."""
    return _near(word[:200], tuple(options))


@lru_cache(maxsize=4096)
def _near(word: str, pool: tuple[str, ...]) -> str:
    """The same mistake comes again and again in a stream, so answers are remembered."""
    import difflib  # only when there is something to say

    lower = {o.lower(): o for o in pool}
    found = lower.get(word.lower()) or next(iter(difflib.get_close_matches(word, pool, 1, 0.7)), "")
    return f"did you mean {found}?" if found else ""


class Report:
    """What one validation found. `profile` is the one being judged; `note` explains the next finding."""

    def __init__(self) -> None:
        self.items: list[tuple[Path, Finding]] = []
        self.profile = ""
        self.note = ""
        self._seen: set[tuple[str, str, str]] = set()

    def add(
        self, ident: str, path: Path, message: str, *, severity: str = "error", expected: str = "", found: str = "",
        hint: str = "", node: Any = None,
    ) -> None:  # fmt: skip
        """Keep a finding, once for each id, path and message."""
        where = path.fhirpath()
        if (ident, where, message) in self._seen:
            return
        self._seen.add((ident, where, message))
        if self.note:
            message, self.note = f"{message} ({self.note})", ""
        self.items.append(
            (
                path,
                Finding(
                    ident,
                    severity,
                    message,
                    expected=expected[:MAX_TEXT],
                    found=found[:MAX_TEXT],
                    hint=hint,
                    path=where,
                    profile=self.profile or (node.profile if node is not None else ""),
                    element=node.ident if node is not None else "",
                ),
            )
        )

    def has_errors(self) -> bool:
        """Whether anything is an error or worse."""
        return any(f.severity in ("error", "fatal") for _, f in self.items)

    def finish(
        self, text: str, *, file: str = "", line: int = 0, resource: str = "", places: Any = None
    ) -> list[Finding]:  # fmt: skip
        """The findings in order of severity and place, with line and column in `text`.

        line: the line of the file on which `text` starts (NDJSON), 0 for 1. places: finds them instead of `text`.
        """
        if places is None and text:
            places = Places(text)
        result = []
        for path, finding in self.items:
            if places is not None:
                row, column = places.line_column(path.offset) if isinstance(path, Spot) else places.of(path.steps())
                finding.line = row + (line - 1 if line else 0)
                finding.column = column
            elif line:
                finding.line = line
            finding.file, finding.resource = file, resource
            result.append(finding)
        result.sort(key=lambda f: (_LEVELS.get(f.severity, 9), f.line, f.column))
        return result
