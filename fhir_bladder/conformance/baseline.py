"""Room `conformance`: known findings that are accepted. Belongs here: reading, writing and applying a baseline file.

A finding is known by file name, resource, id, path without numbers of array items, profile and what was found; not by
its line, so that edits elsewhere do not matter. Each entry is accepted as often as it was written.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections import Counter
from collections.abc import Iterable, Iterator
from pathlib import Path

from fhir_bladder.conformance.stream import Judged
from fhir_bladder.errors import ConfigError, Finding

_INDEX = re.compile(r"\[\d+\]")
_FORMAT = 1


def fingerprint(finding: Finding) -> str:
    """16 hex digits that know a finding again."""
    parts = (
        Path(finding.file).name, finding.resource, finding.id, _INDEX.sub("[]", finding.path), finding.profile,
        finding.found,
    )  # fmt: skip
    return hashlib.sha256("\0".join(parts).encode()).hexdigest()[:16]


class Baseline:
    """Accepted findings by fingerprint, with how often."""

    def __init__(self, counts: Counter[str] | None = None) -> None:
        self.counts: Counter[str] = counts or Counter()
        self._notes: dict[str, str] = {}

    @classmethod
    def read(cls, path: Path) -> Baseline:
        """Read a baseline file. Raises ConfigError."""
        try:
            data = json.loads(path.read_bytes())
            if data["format"] != _FORMAT:
                raise ConfigError("baseline of another format", str(path), "write it anew with --write-baseline")
            return cls(Counter({str(e["fingerprint"]): int(e["count"]) for e in data["accepted"]}))
        except FileNotFoundError:
            raise ConfigError("baseline file not found", str(path), "write it with --write-baseline") from None
        except OSError as error:
            raise ConfigError(
                f"cannot be read: {(error.strerror or '').lower()}", str(path), "check the path"
            ) from None
        except (ValueError, KeyError, TypeError) as error:
            raise ConfigError(
                f"not a baseline file: {error}", str(path), "write it anew with --write-baseline"
            ) from None

    def add(self, findings: Iterable[Finding]) -> None:
        """Accept these findings from now on."""
        for finding in findings:
            key = fingerprint(finding)
            self.counts[key] += 1
            self._notes.setdefault(key, f"{finding.id} {finding.path}")

    def write(self, path: Path) -> None:
        """Write the file, sorted, with a note for people beside each fingerprint."""
        accepted = [
            {"fingerprint": key, "count": count, "note": self._notes.get(key, "")}
            for key, count in sorted(self.counts.items())
        ]
        path.write_text(
            json.dumps({"format": _FORMAT, "accepted": accepted}, indent=1, ensure_ascii=False) + "\n", "utf-8"
        )

    def filter(self, judged: Iterable[Judged]) -> Iterator[Judged]:
        """The same judgements without accepted findings."""
        left = Counter(self.counts)
        for item in judged:
            kept = []
            for finding in item.findings:
                key = fingerprint(finding)
                if left[key] > 0 and finding.severity != "fatal":
                    left[key] -= 1
                else:
                    kept.append(finding)
            item.findings = kept
            yield item
