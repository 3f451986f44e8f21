"""Room `cli`: what HL7 v2 messages held and no field of the record took, told once at the end of a run."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable

from fhir_bladder.cli import common
from fhir_bladder.errors import Finding


class NotTaken:
    """Codes and fields of HL7 v2 messages that fill nothing: collected, then told once, so that none is silent."""

    def __init__(self) -> None:
        self._counts: Counter[str] = Counter()

    def add(self, findings: Iterable[Finding]) -> None:
        """Remember what these say was not taken."""
        for finding in findings:
            if finding.id == "v2-not-mapped":
                self._counts[finding.message.split(" (segment")[0].removeprefix("not taken: ")] += 1

    def tell(self) -> None:
        """One line, the most frequent first; nothing where everything was taken."""
        if not self._counts:
            return
        shown = "; ".join(f"{what} ({count}×)" for what, count in self._counts.most_common(8))
        more = f"; {len(self._counts) - 8} more" if len(self._counts) > 8 else ""
        common.say(f"note: not taken: {shown}{more} — check lists each with its place; --v2-map adds codes")
