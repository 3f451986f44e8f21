"""Reads the public FHIRPath R4 suite (FHIR/fhir-test-cases) and judges one case after the other.

Used by test_suite.py and, run as a script, to write the result table of docs/fhirpath.md:
    PYTHONPATH=. python tests/fhirpath/suite.py --write
"""

from __future__ import annotations

import os
import sys
import xml.etree.ElementTree as ElementTree
from collections import Counter
from dataclasses import dataclass
from decimal import Decimal
from pathlib import Path
from typing import Any

from fhir_bladder import fhirpath, wire
from fhir_bladder.errors import BladderError, UnsupportedError
from fhir_bladder.fhirpath.nodes import Node, system
from fhir_bladder.fhirpath.quantity import Quantity, parse
from fhir_bladder.fhirpath.temporal import Temporal

sys.path.insert(0, str(Path(__file__).parent))
import xml_input

ROOT = Path(__file__).resolve().parents[2]
SUITES = Path(os.environ.get("FHIR_BLADDER_SUITES", ROOT.parent / "shared" / "suites"))
FILE = SUITES / "fhir-r4" / "fhirpath" / "tests-fhir-r4.xml"
EXAMPLES = SUITES / "fhir-r4" / "examples"


@dataclass(frozen=True)
class Case:
    group: str
    name: str
    input: str
    expression: str
    invalid: str
    strict: bool
    ordered: bool
    predicate: bool
    outputs: tuple[tuple[str, str], ...]
    number: int


def cases() -> list[Case]:
    found: list[Case] = []
    for group in ElementTree.parse(FILE).getroot().iter("group"):
        for test in group.iter("test"):
            expression = test.find("expression")
            assert expression is not None
            found.append(
                Case(
                    group.get("name", ""),
                    test.get("name", ""),
                    test.get("inputfile", ""),
                    expression.text or "",
                    expression.get("invalid", ""),
                    test.get("mode") == "strict" or test.get("checkOrderedFunctions") == "true",
                    test.get("ordered") != "false",
                    test.get("predicate") == "true",
                    tuple((out.get("type", ""), out.text or "") for out in test.findall("output")),
                    len(found),
                )
            )
    return found


def load(name: str) -> Any:
    """The input as JSON, XML converted; None where the folder has none (the case is then named as missing)."""
    if not name:
        return {}
    written = EXAMPLES / name
    if written.suffix == ".xml" and written.exists():
        return xml_input.read(written)
    path = written.with_suffix(".json")
    return wire.loads(path.read_bytes()) if path.exists() else None


def _matches(item: Any, kind: str, text: str) -> bool:
    if isinstance(item, Node) and kind and item.type and item.type != kind:
        return False
    value = system(item)
    if isinstance(value, bool):
        return text == ("true" if value else "false")
    if isinstance(value, Temporal):
        return text.lstrip("@").lstrip("T" if value.kind == "Time" else "@") == value.text
    if isinstance(value, Quantity):
        wanted = parse(text)
        return wanted is not None and wanted.value == value.value and wanted.unit == value.unit
    if isinstance(value, int | Decimal):
        return Decimal(text) == value and (kind != "integer" or isinstance(value, int))
    return value == text


def judge(case: Case) -> tuple[str, str]:
    """("passed" | "failed" | "unsupported" | "no input", what was seen)."""
    resource = load(case.input)
    if resource is None:
        return "no input", case.input
    try:
        strict = case.strict or case.invalid == "semantic"
        program = fhirpath.compile(case.expression, resource.get("resourceType"), strict=strict)
        items = program.items(resource)
    except UnsupportedError as error:
        return "unsupported", error.what
    except BladderError as error:
        return ("passed" if case.invalid else "failed"), f"{type(error).__name__}: {error.what}"
    seen = repr([system(item) for item in items])
    if case.invalid and not case.outputs:
        return "failed", f"no error, result {seen[:200]}"
    if case.predicate:
        items = [bool(items)]
    outputs = list(case.outputs)
    if len(items) != len(outputs):
        return "failed", seen[:200]
    if case.ordered:
        good = all(_matches(item, *output) for item, output in zip(items, outputs, strict=True))
    else:
        good = all(any(_matches(item, *output) for item in items) for output in outputs)
    return ("passed" if good else "failed"), seen[:200]


def results() -> list[tuple[Case, str, str]]:
    return [(case, *judge(case)) for case in cases()]


def table(found: list[tuple[Case, str, str]], otherwise: dict[str, str], unsupported: dict[str, str]) -> str:
    """The result table of docs/fhirpath.md."""
    groups: dict[str, Counter[str]] = {}
    for case, verdict, _ in found:
        groups.setdefault(case.group, Counter())[verdict] += 1
    total = sum(groups.values(), Counter())
    kinds = ("passed", "failed", "unsupported", "no input")
    lines = ["| group | " + " | ".join(kinds) + " |", "| --- |" + " ---: |" * len(kinds)]
    for name, count in [*groups.items(), ("**all**", total)]:
        lines.append(f"| {name} | " + " | ".join(str(count[kind] or "") for kind in kinds) + " |")
    lines += ["", "| case | verdict | why |", "| --- | --- | --- |"]
    for case, verdict, why in found:
        reason = {"failed": otherwise, "unsupported": unsupported}.get(verdict, {}).get(case.name, why)
        if verdict != "passed":
            expression = " ".join(case.expression.split()).replace("|", "\\|")
            lines.append(f"| {case.name} `{expression}` | {verdict} | {reason} |")
    return "\n".join(lines)


def main() -> None:
    """Print what does not pass; with --write put the table into docs/fhirpath.md."""
    found = results()
    for case, verdict, seen in found:
        if verdict not in ("passed", "no input"):
            print(verdict, case.group, case.name, case.expression, case.outputs, case.invalid, "seen", seen)
    if "--write" in sys.argv:
        import test_suite

        page = ROOT / "docs" / "fhirpath.md"
        before, _, rest = page.read_text().partition("<!-- results -->\n")
        after = rest.partition("<!-- end of results -->")[2]
        made = table(found, test_suite.OTHERWISE, test_suite.UNSUPPORTED)
        page.write_text(f"{before}<!-- results -->\n{made}\n<!-- end of results -->{after}")


if __name__ == "__main__":
    main()
