"""Room `analysis`: what the counting rules need of a resource. May import errors, terminology and mapping."""

from __future__ import annotations

import datetime as dt
from functools import lru_cache
from typing import Any, NamedTuple

import msgspec

from fhir_bladder.analysis.decoding import UNREADABLE, Remembered, everything
from fhir_bladder.analysis.keys import Keys, member
from fhir_bladder.analysis.runtime import items, step
from fhir_bladder.errors import RecordError
from fhir_bladder.mapping import keys as exam_keys
from fhir_bladder.terminology import names as N

PANEL, GROUP, MEMBER, OTHER = range(4)


class Header(NamedTuple):
    """What the counting rules need of a resource.

    key: what is counted once; empty where the resource has no identity. exam: the exam key of exams and their
    measurements. rank: newer is larger. replaces: exam key this one supersedes.
    """

    type: str
    kind: int
    key: str
    exam: str
    rank: int
    status: str
    synthetic: bool
    replaces: str


def header_keys(*, people: bool = True) -> Keys:
    """The keys of a resource that `header` reads; `people`: also those that the built-in tables ask for."""
    top = Keys(coded=True)
    more = ("effectiveDateTime", "birthDate", "gender") if people else ()
    for name in ("resourceType", "id", "status", "hasMember", *more):
        top.child(name).whole = True
    for name in ("versionId", "lastUpdated", "profile", "security"):
        top.child("meta").child(name).whole = True
    for holder in (top, top.child("subject")) if people else (top,):
        identifier = holder.child("identifier")
        identifier.child("system").whole = identifier.child("value").whole = True
    if people:
        top.child("subject").child("reference").whole = True
    extension = top.child("extension")
    extension.child("url").whole = True
    extension.child("valueReference").child("identifier").whole = True
    return top


def header(resource: Any, key_system: str = "") -> Header:
    """Read the header of a parsed resource; whatever has an odd shape counts as not there."""
    wanted = key_system or N.EXAM_KEY_SYSTEM
    if resource.__class__ is not dict:
        try:
            return _of_struct(resource, wanted)
        except AttributeError:
            pass  # a list where one is usual, or a part that the view wanted whole
    return _of_any(resource, wanted)


def _of_struct(resource: Any, wanted: str) -> Header:
    """The header of a Struct of the usual shape; AttributeError for another."""
    kind_name, identity, status, meta = resource.k_resourceType, resource.k_id, resource.k_status, resource.k_meta
    rank, synthetic, profile = 0, False, None
    if meta is not None:
        rank = _rank(meta.k_lastUpdated, meta.k_versionId)
        profile = meta.k_profile
        if meta.k_security is not None:
            synthetic = _is_synthetic(meta.k_security)
    if kind_name == "Observation":
        raw = resource.k_code
        code = _LOCAL_OF_RAW[bytes(raw)] if raw.__class__ is _RAW else _local_of(raw)
        if code is not None:
            value = first = ""
            identifiers = resource.k_identifier
            for identifier in identifiers if identifiers.__class__ is list else items(identifiers):
                one = identifier.k_value
                if one.__class__ is str:
                    if identifier.k_system == wanted:
                        value = one
                        break
                    if not first and exam_keys.is_key(one):
                        first = one
            value = value or first
            if value:
                return _exam(resource, kind_name, code, value, rank, status, synthetic, profile, resource.k_extension)
    key = f"{kind_name}/{identity}" if identity.__class__ is str else ""
    status = status if status.__class__ is str else ""
    return _new(Header, (kind_name, OTHER, key, "", rank, status, synthetic, ""))


def _of_any(resource: Any, wanted: str) -> Header:
    """The header of a resource of any shape."""
    kind_name, identity = str(member(resource, "resourceType")), member(resource, "id")
    status, meta = member(resource, "status"), member(resource, "meta")
    security = member(meta, "security")
    rank = _rank(member(meta, "lastUpdated"), member(meta, "versionId"))
    synthetic = security is not None and _is_synthetic(security)
    if kind_name == "Observation" and (code := _local_code(resource)) is not None:
        value = _identifier(resource, wanted)
        if value:
            profile, extension = member(meta, "profile"), member(resource, "extension")
            return _exam(resource, kind_name, code, value, rank, status, synthetic, profile, extension)
    key = f"{kind_name}/{identity}" if identity.__class__ is str else ""
    return _new(Header, (kind_name, OTHER, key, "", rank, status if status.__class__ is str else "", synthetic, ""))


def _exam(
    resource: Any, name: str, code: str, value: str, rank: int, status: Any, synthetic: bool, profile: Any, more: Any
) -> Header:
    """The header of an exam or one of its measurements. value: its key; more: its extensions."""
    status = status if status.__class__ is str else ""
    exam = value if value.count("/") < 2 else exam_of(value)
    if code != N.EXAM_CODE:
        return _new(Header, (name, MEMBER, "member " + value, exam, rank, status, synthetic, ""))
    grouped = member(resource, "hasMember") or (profile is not None and _is_group(profile))
    replaces = _replaced(more) if more is not None else ""
    return _new(Header, (name, GROUP if grouped else PANEL, "exam " + exam, exam, rank, status, synthetic, replaces))


_new = tuple.__new__  # half the time of calling the class
_RAW = msgspec.Raw


def _is_synthetic(security: Any) -> bool:
    return any(member(coding, "code") == "HTEST" for coding in items(security))


def _is_group(profile: Any) -> bool:
    return N.GROUP_PROFILE in profile if profile.__class__ is list else bool(profile == N.GROUP_PROFILE)


def _local_code(resource: Any) -> str | None:
    code = member(resource, "code")
    return _LOCAL_OF_RAW[bytes(code)] if code.__class__ is msgspec.Raw else _local_of(code)


def _local_of_raw(code: bytes) -> str | None:
    try:
        return _local_of(everything(code))
    except UNREADABLE:
        return None


def _local_of(code: Any) -> str | None:
    codings = code.get("coding") if code.__class__ is dict else None
    for coding in codings if codings.__class__ is list else items(codings):
        if coding.__class__ is dict and coding.get("system") == N.LOCAL:
            found = coding.get("code")
            return found if found.__class__ is str else None
    return None


_LOCAL_OF_RAW = Remembered(_local_of_raw)


def _identifier(resource: Any, wanted: str) -> str:
    """The identifier that holds the exam key: of the wanted system, else the first that fits."""
    first = ""
    for identifier in items(member(resource, "identifier")):
        value = member(identifier, "value")
        if value.__class__ is str:
            if member(identifier, "system") == wanted:
                return str(value)
            if not first and exam_keys.is_key(value):
                first = value
    return first


def exam_of(value: str) -> str:
    """The exam's key from the key of an exam or of a measurement; a foreign key stands for itself."""
    if value.count("/") < 2:
        return value
    try:
        return exam_keys.parse_key(value).exam
    except RecordError:
        return value


def subject_key(resource: Any) -> str:
    """The patient as the resource names them: `system|value`, else the reference, else empty."""
    subject = member(resource, "subject") or member(resource, "patient")
    identifier = member(subject, "identifier")
    value = member(identifier, "value")
    if value.__class__ is str:
        system = member(identifier, "system")
        return f"{'' if system is None else system}|{value}"
    reference = member(subject, "reference")
    return reference if reference.__class__ is str else ""


def _replaced(extensions: Any) -> str:
    for extension in items(extensions):
        if member(extension, "url") == N.REPLACES:
            value = step(step(member(extension, "valueReference"), "identifier"), "value")
            return exam_of(value) if value.__class__ is str else ""
    return ""


def _rank(updated: Any, version: Any) -> int:
    """Newest last: the time in milliseconds, then the version id where it is a number."""
    moment = _milliseconds(updated) if updated.__class__ is str else 0
    number = int(version) if version.__class__ is str and version.isdecimal() and len(version) < 9 else 0
    # 63 bits, so that SQLite takes it: milliseconds until the year 2248, a million versions
    return (moment << 20) + min(number, (1 << 20) - 1)


@lru_cache(maxsize=4096)
def _milliseconds(text: str) -> int:
    try:
        moment = int(dt.datetime.fromisoformat(text).timestamp() * 1000)
    except (ValueError, OverflowError):
        return 0
    return min(max(moment, 0), (1 << 43) - 1)
