"""Room `conformance`: the validator, acceptor before explainer. Belongs here: reading one resource and judging it."""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping, Sequence
from decimal import Decimal
from math import isfinite
from pathlib import Path as FilePath
from threading import get_ident
from typing import TYPE_CHECKING, Any

import msgspec
import orjson

from fhir_bladder.conformance.accept import Acceptor
from fhir_bladder.conformance.catalogue import Catalogue
from fhir_bladder.conformance.explain import Explainer
from fhir_bladder.conformance.limits import MAX_BYTES, MAX_DEPTH, repeats, too_deep
from fhir_bladder.conformance.positions import Places, duplicates
from fhir_bladder.conformance.report import Path, Report, Spot
from fhir_bladder.conformance.schema import Schema
from fhir_bladder.errors import Finding, UnsupportedError

if TYPE_CHECKING:
    from fhir_bladder.conformance.front import Front

_FEW = 20
_SMALL = 1024 * 1024
"""Resources judged before the front tier is made; bytes of a text that may be held on to."""
_BOM = b"\xef\xbb\xbf"


class Validator:
    """Judges R4 resources offline.

    packages: folders or .tgz files with further artefacts. profiles: canonical URLs every resource of their type must
    hold to, beside those it claims. local: whether the project's own profiles are loaded. `lacking`: a warning for each
    dependency of a package that is not given.
    """

    def __init__(
        self, packages: Iterable[str | FilePath] = (), profiles: Sequence[str] = (), *, local: bool = True,
        artefacts: Iterable[Mapping[str, Any]] = (),
    ) -> None:  # fmt: skip
        from fhir_bladder.conformance.packages import lacking, local_artefacts, read_package

        found: list[Mapping[str, Any]] = list(artefacts)
        if local:
            found += local_artefacts()
        given = [(str(package), read_package(FilePath(package))) for package in packages]
        for _, package in given:
            found += package.artefacts
        self.lacking = lacking(given)
        self.catalogue = Catalogue(found)
        self.schema = Schema(self.catalogue)
        self.profiles: dict[str, list[str]] = {}
        for url in profiles:
            tree = self.schema.tree(url)
            if tree is None:
                raise UnsupportedError(
                    f"profile {url} is not known", "", "add the package that holds it with --package"
                )
            self.profiles.setdefault(tree.path, []).append(url)
        self._wanted = {name: tuple(urls) for name, urls in self.profiles.items()}
        self._explainer: Explainer | None = None
        self._acceptor: Acceptor | None = None
        self._front: Front | None = None
        self._few = _FEW
        self._thread = get_ident()
        self._unrepeated: bytes | None = None

    @property
    def explainer(self) -> Explainer:
        """The explainer, made when first needed."""
        if self._explainer is None:
            self._explainer = Explainer(self.schema)
        return self._explainer

    @property
    def acceptor(self) -> Acceptor:
        """The acceptor, made when first needed."""
        if self._acceptor is None:
            self._acceptor = Acceptor(self.explainer)
        return self._acceptor

    @property
    def front(self) -> Front:
        """The front tier, made when first needed."""
        if self._front is None:
            from fhir_bladder.conformance.front import Front  # brings FHIRPath in: not for a few resources

            self._front = Front(self.acceptor, self._wanted)
        return self._front

    def accepts(self, data: bytes) -> bool:
        """Whether the resource has no error."""
        return not any(f.severity in ("error", "fatal") for f in self.validate(data))

    def validate(self, data: bytes | dict[str, Any], *, file: str = "", line: int = 0) -> list[Finding]:
        """Everything found in one resource, worst first; an empty list means nothing."""
        if self.known_good(data):
            return []
        self.explainer.helper = self.acceptor if isinstance(data, bytes) or _from_json(data) else None
        return self.explain(data, file=file, line=line)

    def known_good(self, data: bytes | dict[str, Any], index: Any = None) -> bool:
        """Whether the acceptor alone can say that nothing is to be found."""
        if isinstance(data, dict):
            value: Any = data
            if not _from_json(value):
                return False
        else:
            if index is None and self._past_front(data):
                return True
            try:
                value = orjson.loads(data)
                if repeats(data, value):
                    return False
                self._unrepeated = data if len(data) < _SMALL else None
            except (ValueError, TypeError, RecursionError):
                return False
        name = value.get("resourceType") if type(value) is dict else None
        if type(name) is not str or not self.acceptor.accepts(value, self._wanted.get(name, ()), index):
            return False
        front = self._front if index is None and self._thread == get_ident() else None
        if front is not None and front.pending and type(data) is bytes:
            front.confirm()
        return True

    def _past_front(self, data: bytes) -> bool:
        """Whether the front tier says yes; it is for streams only, and for the thread of the validator."""
        if self._thread != get_ident():
            return False
        if self._front is not None:
            return self._front.accepts(data)
        self._few -= 1
        return not self._few and self.front.accepts(data)

    def validate_run(self, data: bytes, index: Any, places: Any) -> list[Finding]:
        """Judge a run of entries of a large Bundle; `index` knows all its entries, `places` the source."""
        if self.known_good(data, index):
            return []
        parsed = read(data)
        if isinstance(parsed, Finding):
            return [parsed]
        value, text = parsed
        report = Report()
        for key, offset in duplicates(text) if _may_repeat(text, value) else ():
            report.add("json-duplicate", Spot(offset, key), f"key {key} stands twice", found=key, hint="keep one")
        self.explainer.helper = self.acceptor
        self.explainer.resource(value, Path(), report, self._wanted.get("Bundle", ()), index=index)
        return report.finish("", places=places)

    def explain(self, data: bytes | dict[str, Any], *, file: str = "", line: int = 0) -> list[Finding]:
        """Everything found, by the walker alone."""
        report = Report()
        text = ""
        if isinstance(data, dict):
            value: Any = data
        else:
            parsed = read(data)
            if isinstance(parsed, Finding):
                parsed.file = file
                if line:
                    parsed.line = parsed.line + line - 1 if parsed.line else line
                return [parsed]
            value, text = parsed
            repeated = self._unrepeated is not data and _may_repeat(text, value)
            for key, offset in duplicates(text) if repeated else ():
                report.add("json-duplicate", Spot(offset, key), f"key {key} stands twice", found=key, hint="keep one")
        name = value.get("resourceType") if isinstance(value, dict) else None
        wanted = tuple(self.profiles.get(name, ())) if isinstance(name, str) else ()
        try:
            self.explainer.resource(value, Path(), report, wanted)
        except RecursionError:
            report.add("too-deep", Path(), "nested too deep", expected=f"at most {MAX_DEPTH} levels")
        ident = value.get("id") if isinstance(value, dict) else None
        label = f"{name}/{ident}" if isinstance(name, str) and isinstance(ident, str) else str(name or "")
        return report.finish(text, file=file, line=line, resource=label)


def _may_repeat(text: str, value: Any) -> bool:
    """Whether the text has more keys than the value kept."""
    if "\\u003" in text:
        return True
    try:
        return text.count(":") != orjson.dumps(value, default=str).count(b":")
    except (TypeError, orjson.JSONEncodeError):
        return True


_DECODER = msgspec.json.Decoder(float_hook=Decimal)


def _number(text: str) -> Decimal:
    return Decimal(text)


def _no_constant(name: str) -> Any:
    raise ValueError(f"{name} is not a number that JSON knows")


def read(data: bytes) -> tuple[Any, str] | Finding:
    """Parse one JSON text, numbers exact; or the one finding that says why it cannot be."""
    if len(data) > MAX_BYTES:
        return Finding("json-size", "fatal", f"{len(data):,} bytes in one resource", expected=f"at most {MAX_BYTES:,}")
    if data.startswith(_BOM):
        data = data[3:]
    if data[:2] in (b"\xff\xfe", b"\xfe\xff") or data[1:2] == b"\x00" or data[:1] == b"\x00":
        return Finding("json-encoding", "fatal", "text is UTF-16 or UTF-32", expected="UTF-8", hint="save it as UTF-8")
    try:
        text = data.decode("utf-8")
    except UnicodeDecodeError as error:
        return Finding(
            "json-encoding", "fatal", f"not UTF-8 at byte {error.start + 1}", expected="UTF-8", hint="save it as UTF-8"
        )
    try:
        try:
            value = _DECODER.decode(data)
        except (msgspec.DecodeError, RecursionError, ValueError, ArithmeticError):
            value = json.loads(text, parse_float=_number, parse_constant=_no_constant)  # says where and why
            if half := _half_pair(text, value):
                return half
    except json.JSONDecodeError as error:
        message = f"not JSON: {error.msg[:1].lower()}{error.msg[1:]}"
        if not text.strip():
            message = "empty"
        return Finding(
            "json-syntax", "fatal", message, line=error.lineno, column=error.colno, hint="write it with a JSON library"
        )
    except RecursionError:
        return Finding("too-deep", "fatal", "nested too deep", expected=f"at most {MAX_DEPTH} levels")
    except (ValueError, ArithmeticError) as error:
        return Finding("json-number", "fatal", str(error)[:200], hint="correct the number")
    if too_deep(data, value):
        return Finding("too-deep", "fatal", "nested too deep", expected=f"at most {MAX_DEPTH} levels")
    return value, text


_SURROGATE = re.compile(r"\\u[dD][89abAB][0-9a-fA-F]{2}\\u[dD][c-fC-F]|(\\u[dD][89a-fA-F][0-9a-fA-F]{2})").finditer


def _half_pair(text: str, value: Any) -> Finding | None:
    """What is wrong where a text holds half of a surrogate pair, which no UTF-8 can carry on."""
    try:
        json.dumps(value, ensure_ascii=False, default=str).encode()
    except UnicodeEncodeError:
        at = next((found.start(1) for found in _SURROGATE(text) if found[1]), 0)
        line, column = Places(text).line_column(at)
        return Finding(
            "json-encoding", "fatal", "half of a surrogate pair", line=line, column=column, found=text[at : at + 6],
            expected="whole characters", hint="write the character itself, in UTF-8",
        )  # fmt: skip
    return None


def _from_json(value: Any) -> bool:
    """Whether there are only types that a JSON parser makes; the acceptor tells values by their JSON text."""
    level = [value]
    while level:
        below = []
        for item in level:
            kind = type(item)
            if kind is dict:
                below += item.values()
                if not all(type(key) is str for key in item):
                    return False
            elif kind is list:
                below += item
            elif kind is float or kind is Decimal:
                if not isfinite(item):
                    return False
            elif kind is not str and kind is not int and kind is not bool and item is not None:
                return False
        level = below
    return True
