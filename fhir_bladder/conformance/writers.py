"""Room `conformance`: findings written down. Belongs here: text, OperationOutcome, NDJSON, SARIF 2.1.0, JUnit XML.

Each writer takes an iterable of `Judged` and yields text, so that nothing is held longer than it must be.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Iterable, Iterator
from xml.sax.saxutils import escape, quoteattr

from fhir_bladder.conformance.stream import Judged
from fhir_bladder.errors import Finding

_COLOURS = {"fatal": "\x1b[31;1m", "error": "\x1b[31m", "warning": "\x1b[33m", "information": "\x1b[36m"}
_OFF = "\x1b[0m"
_SARIF_LEVEL = {"fatal": "error", "error": "error", "warning": "warning", "information": "note"}
_ISSUE_CODE = {"json": "structure", "too": "structure", "cardinality": "required", "binding": "code-invalid"}
_UNSAFE = {c: f"\\x{c:02x}" for c in (*range(9), *range(11, 32), 127)}


def safe(text: str) -> str:
    """Text without control characters, for terminals and XML."""
    return text.translate(_UNSAFE)


def text(
    judged: Iterable[Judged], *, colour: bool = False, grouped: bool = True, most: int = 0
) -> Iterator[str]:  # fmt: skip
    """One line a finding, with hint; grouped by file; at most `most` findings (0: all); a summary at the end."""
    counts: Counter[str] = Counter()
    resources = bad = shown = 0
    last = ""
    for item in judged:
        resources += not item.notice
        bad += not item.valid and not item.notice
        for finding in item.findings:
            counts[finding.severity] += 1
            if most and shown >= most:
                continue
            shown += 1
            if grouped and item.file != last:
                last = item.file
                yield f"{safe(item.file)}\n"
            yield from _line(finding, colour, grouped)
    total = sum(counts.values())
    if most and total > shown:
        yield f"… {total - shown} more findings not shown\n"
    detail = ", ".join(
        f"{counts[s]} {s}{'s' if counts[s] != 1 and s != 'information' else ''}" for s in _COLOURS if counts[s]
    )
    yield f"{resources} judged, {resources - bad} valid, {bad} invalid{'; ' + detail if detail else ''}\n"


def _line(finding: Finding, colour: bool, grouped: bool) -> Iterator[str]:
    on, off = (_COLOURS.get(finding.severity, ""), _OFF) if colour else ("", "")
    place = f"{finding.line}:{finding.column}" if finding.line else ""
    if not grouped and finding.file:
        place = f"{finding.file}:{place}"
    what = finding.message
    parts = [
        f"expected {finding.expected}" if finding.expected else "",
        f"found {finding.found}" if finding.found else "",
    ]
    detail = "; ".join(p for p in parts if p)
    yield (
        safe(f"  {place + ' ' if place else ''}")
        + f"{on}{finding.severity}{off} "
        + safe(
            f"{finding.id} {finding.path or finding.resource}: {what}{' — ' + detail if detail else ''}"
            f"{' — ' + finding.hint if finding.hint else ''}"
        )
        + "\n"
    )


def ndjson(judged: Iterable[Judged]) -> Iterator[str]:
    """One JSON object a finding."""
    for item in judged:
        for finding in item.findings:
            yield json.dumps(finding.as_dict(), ensure_ascii=False) + "\n"


def outcome(judged: Iterable[Judged]) -> Iterator[str]:
    """One FHIR OperationOutcome for everything; one issue `informational` where nothing was found."""
    yield '{"resourceType":"OperationOutcome","issue":['
    first = True
    for item in judged:
        for finding in item.findings:
            yield ("" if first else ",") + "\n" + json.dumps(issue(finding), ensure_ascii=False)
            first = False
    if first:
        yield '\n{"severity":"information","code":"informational","diagnostics":"nothing found"}'
    yield "\n]}\n"


def issue(finding: Finding) -> dict[str, object]:
    """A finding as an OperationOutcome issue."""
    place = ":".join(p for p in (finding.file, str(finding.line or ""), str(finding.column or "")) if p)
    parts = [
        f"expected {finding.expected}" if finding.expected else "",
        f"found {finding.found}" if finding.found else "",
    ]
    words = "; ".join(p for p in (finding.message, *parts, finding.hint, place) if p)
    result: dict[str, object] = {
        "severity": finding.severity,
        "code": _ISSUE_CODE.get(finding.id.partition("-")[0], "invariant" if finding.id[-1:].isdigit() else "invalid"),
        "details": {"text": finding.id},
        "diagnostics": safe(words),
    }
    if finding.path:
        result["expression"] = [finding.path]
    return result


def sarif(judged: Iterable[Judged], *, version: str = "") -> Iterator[str]:
    """SARIF 2.1.0; the list of rules follows the results, since only then it is known."""
    rules: dict[str, str] = {}
    yield (
        '{"$schema":"https://docs.oasis-open.org/sarif/sarif/v2.1.0/errata01/os/schemas/sarif-schema-2.1.0.json",'
        '"version":"2.1.0","runs":[{"columnKind":"unicodeCodePoints","results":['
    )
    first = True
    for item in judged:
        for finding in item.findings:
            rules.setdefault(finding.id, finding.message)
            yield ("" if first else ",") + "\n" + json.dumps(_sarif_result(finding), ensure_ascii=False)
            first = False
    driver: dict[str, object] = {
        "name": "fhir-bladder",
        "informationUri": "https://w3id.org/fhir-bladder/",
        "rules": [{"id": ident, "shortDescription": {"text": safe(message)}} for ident, message in rules.items()],
    }
    if version:
        driver["version"] = version
    yield '\n],"tool":' + json.dumps({"driver": driver}, ensure_ascii=False) + "}]}\n"


def _sarif_result(finding: Finding) -> dict[str, object]:
    parts = [finding.message]
    if finding.expected:
        parts.append(f"expected {finding.expected}")
    if finding.found:
        parts.append(f"found {finding.found}")
    if finding.hint:
        parts.append(finding.hint)
    location: dict[str, object] = {}
    if finding.file:
        physical: dict[str, object] = {"artifactLocation": {"uri": _uri(finding.file)}}
        if finding.line:
            region = {"startLine": finding.line}
            if finding.column:
                region["startColumn"] = finding.column
            physical["region"] = region
        location["physicalLocation"] = physical
    if finding.path:
        location["logicalLocations"] = [{"fullyQualifiedName": finding.path, "kind": "member"}]
    result: dict[str, object] = {
        "ruleId": finding.id,
        "level": _SARIF_LEVEL.get(finding.severity, "none"),
        "message": {"text": safe("; ".join(parts))},
    }
    if location:
        result["locations"] = [location]
    properties = {
        k: v
        for k, v in (("profile", finding.profile), ("element", finding.element), ("resource", finding.resource))
        if v
    }
    if properties:
        result["properties"] = properties
    return result


def _uri(file: str) -> str:
    from urllib.parse import quote

    return quote(file.replace("\\", "/"), safe="/:._-~", errors="surrogateescape")


def junit(judged: Iterable[Judged]) -> Iterator[str]:
    """JUnit XML: a suite a file, a case a resource with findings, one case for all resources without error."""
    yield '<?xml version="1.0" encoding="UTF-8"?>\n<testsuites name="fhir-bladder validate">\n'
    file, cases, passed, failures = None, [], 0, 0
    for item in judged:
        if file is not None and item.file != file:
            yield from _suite(file, cases, passed, failures)
            cases, passed, failures = [], 0, 0
        file = item.file
        errors = [f for f in item.findings if f.severity in ("fatal", "error")]
        if not errors:
            passed += 1
            continue
        failures += 1
        cases.append(_case(item, errors))
    if file is not None:
        yield from _suite(file, cases, passed, failures)
    yield "</testsuites>\n"


def _case(item: Judged, errors: list[Finding]) -> str:
    name = item.resource or (f"line {item.line}" if item.line else "resource")
    body = "\n".join(
        safe(f"{f.line}:{f.column} {f.id} {f.path}: {f.message}; expected {f.expected}; found {f.found}; {f.hint}")
        for f in errors
    )
    first = errors[0]
    return (
        f"<testcase classname={quoteattr(safe(item.file))} name={quoteattr(safe(name))}>"
        f"<failure type={quoteattr(first.id)} message={quoteattr(safe(first.message))}>{escape(body)}</failure>"
        "</testcase>\n"
    )


def _suite(file: str, cases: list[str], passed: int, failures: int) -> Iterator[str]:
    total = failures + bool(passed)
    yield f'<testsuite name={quoteattr(safe(file))} tests="{total}" failures="{failures}" errors="0" skipped="0">\n'
    yield from cases
    if passed:
        yield f'<testcase classname={quoteattr(safe(file))} name="{passed} resources without error"/>\n'
    yield "</testsuite>\n"
