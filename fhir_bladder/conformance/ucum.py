"""Room `conformance`: is a text a UCUM unit? Belongs here: the grammar of UCUM's case-sensitive codes, no arithmetic.

Source: The Unified Code for Units of Measure, section 2 (syntax). Atoms and prefixes come with the definitions.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

_PART = re.compile(r"(?:[^\[\]{}()./]|\[[^\]]*\])+")
_ANNOTATION = re.compile(r"\{[\x21-\x7a|~ ]*\}")
_EXPONENT = re.compile(r"(.*?)([+-]?[0-9]+)\Z", re.DOTALL)
_ASCII = re.compile(r"[\x20-\x7e]+\Z").match
MAX_LENGTH = 512


class Units:
    """Checks unit codes against a list of atoms, those that take prefixes, and the prefixes."""

    def __init__(self, atoms: Iterable[str], metric: Iterable[str], prefixes: Iterable[str]) -> None:
        self._atoms, self._metric = frozenset(atoms), frozenset(metric)
        self._prefixes = tuple(sorted(prefixes, key=len, reverse=True))
        self._known: dict[str, bool] = {}

    def __call__(self, code: str) -> bool:
        """True where `code` is a well-formed unit of known atoms (`mL`, `g/cm3`, `{score}`, `10*3/uL`)."""
        answer = self._known.get(code)
        if answer is None:
            answer = 0 < len(code) <= MAX_LENGTH and _ASCII(code) is not None and self._whole(code)
            if len(self._known) < 10_000:
                self._known[code] = answer
        return answer

    def _whole(self, code: str) -> bool:
        end = self._term(code, 0, 0)
        return end == len(code)

    def _term(self, text: str, at: int, depth: int) -> int:
        """Position after a term that starts at `at`; -1 where there is none."""
        if depth > 20:
            return -1
        if text[at : at + 1] == "/":
            at += 1
        while True:
            at = self._component(text, at, depth)
            if at < 0 or at >= len(text) or text[at] not in "./":
                return at
            at += 1

    def _component(self, text: str, at: int, depth: int) -> int:
        if text[at : at + 1] == "(":
            end = self._term(text, at + 1, depth + 1)
            return end + 1 if end >= 0 and text[end : end + 1] == ")" else -1
        note = _ANNOTATION.match(text, at)
        if note:
            return note.end()
        part = _PART.match(text, at)
        if part is None or not self._simple(part.group()):
            return -1
        note = _ANNOTATION.match(text, part.end())
        return note.end() if note else part.end()

    def _simple(self, part: str) -> bool:
        if part.isdigit() or self._unit(part):
            return True
        raised = _EXPONENT.match(part)
        return raised is not None and self._unit(raised[1])

    def _unit(self, name: str) -> bool:
        if name in self._atoms:
            return True
        return any(name.startswith(p) and name[len(p) :] in self._metric for p in self._prefixes)
