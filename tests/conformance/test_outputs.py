# ruff: noqa: E501 - tables of cases read better in one line
"""Writers, baseline, streams, packages: what goes in and out of the validator."""

from __future__ import annotations

import gzip
import io
import json
import os
import re
import tarfile
import xml.etree.ElementTree as ET
from pathlib import Path
from typing import Any

import pytest

from fhir_bladder.conformance import (
    Baseline,
    Options,
    Validator,
    at_level,
    check_artefacts,
    pack,
    read_package,
    scope,
    snapshot_of,
    stream,
    validate_files,
    writers,
)
from fhir_bladder.conformance.packages import local_artefacts
from fhir_bladder.errors import ConfigError, InputError, UnsupportedError

GOOD = '{"resourceType":"Patient","id":"p1","active":true}'
BAD = '{"resourceType":"Patient","id":"p2","gender":"M"}'


@pytest.fixture
def lines(tmp_path: Path) -> Path:
    path = tmp_path / "a.ndjson"
    path.write_text(f"{GOOD}\n\n{BAD}\n{{\n{GOOD}\n", "utf-8")
    return path


def test_ndjson_goes_on_after_a_broken_line(base: Validator, lines: Path) -> None:
    judged = list(validate_files([lines], validator=base))
    assert [(j.line, j.resource, j.valid) for j in judged] == [
        (1, "Patient/p1", True), (3, "Patient/p2", False), (4, "", False), (5, "Patient/p1", True),
    ]  # fmt: skip
    assert judged[1].findings[0].line == 3 and judged[2].findings[0].line == 4


def test_files_that_cannot_be_read(base: Validator, tmp_path: Path) -> None:
    empty = tmp_path / "empty.json"
    empty.write_bytes(b" \n")
    judged = list(validate_files([tmp_path / "none.json", tmp_path, empty], validator=base))
    assert [(j.unreadable, j.findings[0].id) for j in judged] == [
        (True, "file-unreadable"), (True, "file-unreadable"), (False, "file-empty"),
    ]  # fmt: skip
    assert judged[2].findings[0].severity == "warning"


def test_a_line_above_the_limit_is_one_finding(base: Validator, tmp_path: Path) -> None:
    path = tmp_path / "long.ndjson"
    path.write_text(GOOD + "\n" + '{"a":"' + "x" * 5000 + '"}\n' + GOOD + "\n", "utf-8")
    judged = list(validate_files([path], Options(max_line=1000), base))
    assert [[f.id for f in j.findings] for j in judged] == [[], ["line-too-long"], []]


class Pipe(io.BytesIO):
    """Standard input that cannot go back."""

    def seekable(self) -> bool:
        return False


@pytest.mark.parametrize(
    ("text", "found"),
    [
        ((GOOD + "\n") * 90 + BAD, 91),
        ("\n" + GOOD + "\n\n" + BAD + "\n", 2),
        (BAD, 1),
        (json.dumps(json.loads(BAD), indent=1), 1),
        (" \n" * 3, 1),
    ],
)
def test_a_pipe_is_read_to_its_end(base: Validator, monkeypatch: pytest.MonkeyPatch, text: str, found: int) -> None:
    """However much of it there is: only one text is limited."""
    monkeypatch.setattr(stream, "MAX_BYTES", 400)
    monkeypatch.setattr("sys.stdin", io.TextIOWrapper(Pipe(text.encode())))
    judged = list(validate_files(["-"], validator=base))
    assert len(judged) == found
    assert [item.resource for item in judged if not item.valid] == (["Patient/p2"] if "p2" in text else [])


def test_workers_give_the_same(lines: Path) -> None:
    def ids(workers: int) -> list[Any]:
        options = Options(local=False, workers=workers)
        return [(j.line, [(f.id, f.path) for f in j.findings]) for j in validate_files([lines], options)]

    assert ids(2) == ids(1)


def big_bundle(path: Path, number: int, broken: int) -> None:
    """A transaction of `number` Patients and Observations that refer to each other, one of them broken."""
    with path.open("w", encoding="utf-8") as out:
        out.write('{"resourceType":"Bundle","type":"collection","entry":[\n')
        for i in range(number):
            urn = f"urn:uuid:00000000-0000-0000-0000-{i:012x}"
            other = f"urn:uuid:00000000-0000-0000-0000-{(i * 7) % number // 2 * 2:012x}"
            if i % 2 == 0:
                resource = '{"resourceType":"Patient","active":true}'
            else:
                status = "wrong" if i == broken else "final"
                resource = f'{{"resourceType":"Observation","status":"{status}","code":{{"text":"x"}},"subject":{{"reference":"{other}"}}}}'
            out.write(f'{{"fullUrl":"{urn}","resource":{resource}}}{"," if i < number - 1 else ""}\n')
        out.write("]}\n")


def test_large_bundle_is_judged_in_runs(base: Validator, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Same findings, same places as in one piece."""
    from fhir_bladder.conformance import stream

    path = tmp_path / "big.json"
    big_bundle(path, 900, 555)
    monkeypatch.setattr(stream, "BIG_BUNDLE", 1000)
    in_runs = next(iter(validate_files([path], validator=base)))
    monkeypatch.setattr(stream, "BIG_BUNDLE", 1 << 30)
    whole = next(iter(validate_files([path], validator=base)))
    assert [(f.id, f.path, f.line, f.column) for f in in_runs.findings] == [
        (f.id, f.path, f.line, f.column) for f in whole.findings
    ]
    assert in_runs.findings[0].path == "Bundle.entry[555].resource.status" and in_runs.findings[0].line == 557


def test_outcome_is_valid_fhir(base: Validator, lines: Path) -> None:
    text = "".join(writers.outcome(validate_files([lines], validator=base)))
    assert not [f for f in base.validate(text.encode()) if f.severity == "error"]
    nothing = "".join(writers.outcome([]))
    assert not [f for f in base.validate(nothing.encode()) if f.severity == "error"]


def test_sarif_of_a_file_whose_name_is_no_text(base: Validator, tmp_path: Path) -> None:
    path = tmp_path / os.fsdecode(b"b\xe9.json")
    path.write_text(BAD)
    log = json.loads("".join(writers.sarif(validate_files([path], validator=base), version="1")))
    assert "b%E9.json" in json.dumps(log)


def test_sarif(base: Validator, lines: Path) -> None:
    """The properties SARIF 2.1.0 requires (3.14, 3.18, 3.19, 3.27, 3.30) and that every result names a rule."""
    log = json.loads("".join(writers.sarif(validate_files([lines], validator=base), version="1")))
    assert log["version"] == "2.1.0" and log["$schema"].endswith("sarif-schema-2.1.0.json")
    run = log["runs"][0]
    rules = {r["id"] for r in run["tool"]["driver"]["rules"]}
    assert run["tool"]["driver"]["name"] and len(run["results"]) >= 2
    for result in run["results"]:
        assert result["ruleId"] in rules and result["message"]["text"]
        assert result["level"] in ("none", "note", "warning", "error")
        region = result["locations"][0]["physicalLocation"]["region"]
        assert region["startLine"] >= 1 and region.get("startColumn", 1) >= 1


def test_junit(base: Validator, lines: Path) -> None:
    root = ET.fromstring("".join(writers.junit(validate_files([lines], validator=base))))
    suite = root.find("testsuite")
    assert (
        suite is not None and suite.get("failures") == "2" and suite.get("tests") == str(len(suite.findall("testcase")))
    )


def test_text_and_control_characters(base: Validator, tmp_path: Path) -> None:
    path = tmp_path / "b.json"
    path.write_text('{"resourceType":"Patient","gender":"\\u001b[31mM"}', "utf-8")
    text = "".join(writers.text(validate_files([path], validator=base), colour=False))
    assert "\x1b" not in text and "1 invalid" in text
    coloured = "".join(writers.text(validate_files([path], validator=base), colour=True))
    assert coloured.count("\x1b[") == 2 * text.count("error binding")
    short = "".join(writers.text(validate_files([path, path, path], validator=base), most=1))
    assert len(re.findall("binding-required", short)) == 1 and "not shown" in short


def test_ndjson_keys(base: Validator, lines: Path) -> None:
    rows = [json.loads(row) for row in "".join(writers.ndjson(validate_files([lines], validator=base))).splitlines()]
    assert rows[0]["id"] == "binding-required" and rows[0]["found"] == "M" and rows[0]["resource"] == "Patient/p2"


def test_baseline_accepts_what_it_knows(base: Validator, lines: Path, tmp_path: Path) -> None:
    known = Baseline()
    for item in validate_files([lines], validator=base):
        known.add(item.findings)
    known.write(tmp_path / "base.json")
    lines.write_text("\n\n" + lines.read_text("utf-8").replace("p1", "p9") + BAD.replace('"M"', '"F"') + "\n", "utf-8")
    left = list(Baseline.read(tmp_path / "base.json").filter(validate_files([lines], validator=base)))
    assert [f.found for j in left for f in j.findings if f.severity == "error"] == ["F"]
    (tmp_path / "broken.json").write_text("[]", "utf-8")
    with pytest.raises(ConfigError):
        Baseline.read(tmp_path / "broken.json")


def test_levels(base: Validator) -> None:
    findings = base.validate(b'{"resourceType":"Patient","birthDate":"1492-10-12","gender":"M"}')
    assert {f.severity for f in findings} == {"error", "warning"}
    assert {f.severity for f in at_level(findings, "error")} == {"error"}


def test_scope_names_what_is_not_checked() -> None:
    assert "Not checked" in scope() and "LOINC" in scope()


def test_other_types_say_so(base: Validator) -> None:
    findings = base.validate(b'{"resourceType":"Media","status":"completed","content":{"title":"x"}}')
    assert [(f.id, f.severity) for f in findings] == [("type-structure-only", "information")]


# packages


def archive(path: Path, members: dict[str, bytes]) -> Path:
    with tarfile.open(path, "w:gz") as out:
        for name, data in members.items():
            info = tarfile.TarInfo(name)
            info.size = len(data)
            out.addfile(info, io.BytesIO(data))
    return path


def test_dependencies_not_given_are_named(tmp_path: Path, observation: dict[str, Any]) -> None:
    """Each by name and version, as a warning of the package; R4 itself and packages given are not."""
    value_set = {"resourceType": "ValueSet", "url": "https://a.example/vs", "status": "draft"}
    for name, needs in (
        ("a.national", {"hl7.fhir.r4.core": "4.0.1", "a.basis": "2026.1.0", "a.terms": "1.x"}),
        ("a.basis", {}),
    ):
        manifest = {"name": name, "version": "2026.1.0", "dependencies": needs}
        members = {"package/package.json": manifest, "package/ValueSet-a.json": value_set}
        archive(tmp_path / f"{name}.tgz", {k: json.dumps(v).encode() for k, v in members.items()})
    (tmp_path / "o.json").write_text(json.dumps(observation))
    both = (str(tmp_path / "a.national.tgz"), str(tmp_path / "a.basis.tgz"))
    for packages, named in ((both[:1], ["a.basis#2026.1.0", "a.terms#1.x"]), (both, ["a.terms#1.x"]), (both[1:], [])):
        judged = list(validate_files([tmp_path / "o.json"], Options(packages=packages)))
        warned = [f for j in judged for f in j.findings]
        assert [f.expected for f in warned] == named and {f.file for f in warned} <= {both[0]}
        assert all(j.valid for j in judged) and judged[-1].resource == "Observation/o1"
        assert (
            "".join(writers.text(judged, colour=False)).rpartition("\n")[0].rpartition("\n")[2].startswith("1 judged")
        )


def test_pack_and_read_again(tmp_path: Path) -> None:
    artefacts = local_artefacts()
    data = pack(artefacts, name="a.b", version="1.0.0", canonical="https://a.example")
    assert data == pack(artefacts, name="a.b", version="1.0.0", canonical="https://a.example")
    (tmp_path / "p.tgz").write_bytes(data)
    package = read_package(tmp_path / "p.tgz")
    assert (package.name, package.version, package.missing(set())) == ("a.b", "1.0.0", [])
    profile = "https://w3id.org/fhir-bladder/StructureDefinition/bladder-ultrasound-exam"
    validator = Validator([tmp_path / "p.tgz"], [profile], local=False)
    exam = Path(__file__).parent.parent / "profiles" / "valid" / "exam-example.json"
    assert not [f for f in validator.validate(exam.read_bytes()) if f.severity == "error"]


def test_own_artefacts_are_proven() -> None:
    assert [f.as_dict() for f in check_artefacts() if f.severity == "error"] == []


def test_a_bomb_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "bomb.tgz"
    info = tarfile.TarInfo("package/a.json")
    info.size = 300 * 1024 * 1024
    with gzip.open(path, "wb", compresslevel=9) as out:
        out.write(info.tobuf())
        for _ in range(300):
            out.write(b" " * 1024 * 1024)
    with pytest.raises(InputError) as caught:
        read_package(path)
    assert "bytes" in caught.value.what or "unpacks" in caught.value.what


def test_links_and_devices_are_not_followed(tmp_path: Path) -> None:
    path = tmp_path / "links.tgz"
    with tarfile.open(path, "w:gz") as out:
        link = tarfile.TarInfo("package/StructureDefinition-a.json")
        link.type, link.linkname = tarfile.SYMTYPE, "/etc/hostname"
        out.addfile(link)
    with pytest.raises(InputError):
        read_package(path)


@pytest.mark.parametrize(
    "data", [b"", b"not a package", gzip.compress(b"not a tar")], ids=["empty", "text", "gzip of text"]
)
def test_broken_packages(tmp_path: Path, data: bytes) -> None:
    path = tmp_path / "x.tgz"
    path.write_bytes(data)
    with pytest.raises(InputError):
        read_package(path)


def test_missing_dependencies_are_named(tmp_path: Path) -> None:
    manifest = json.dumps(
        {"name": "x", "version": "1", "dependencies": {"hl7.fhir.r4.core": "4.0.1", "de.basis": "1.5.0"}}
    )
    package = read_package(archive(tmp_path / "x.tgz", {"package/package.json": manifest.encode()}))
    assert package.missing({"x"}) == ["de.basis#1.5.0"]


# snapshots


def profile(url: str, base: str, elements: list[dict[str, Any]]) -> dict[str, Any]:
    return {
        "resourceType": "StructureDefinition", "url": url, "name": "N", "status": "draft", "kind": "resource",
        "abstract": False, "type": "Observation", "derivation": "constraint", "baseDefinition": base,
        "differential": {"element": [{"id": "Observation", "path": "Observation"}, *elements]},
    }  # fmt: skip


OBS = "http://hl7.org/fhir/StructureDefinition/Observation"
REFUSED: list[tuple[str, list[dict[str, Any]], str]] = [
    ("no such path", [{"id": "Observation.subjekt", "path": "Observation.subjekt"}], "Observation.subjekt"),
    ("re-slicing", [{"id": "Observation.category", "path": "Observation.category", "slicing": {"discriminator": [{"type": "pattern", "path": "$this"}], "rules": "open"}}, {"id": "Observation.category:a/b", "path": "Observation.category", "sliceName": "a/b"}], "re-slicing"),
    ("wider", [{"id": "Observation.status", "path": "Observation.status", "min": 0}], "min 0"),
    ("other type", [{"id": "Observation.value[x]", "path": "Observation.value[x]", "type": [{"code": "Attachment"}]}], "Attachment"),
    ("slice first", [{"id": "Observation.category:a", "path": "Observation.category", "sliceName": "a"}], "slicing"),
    ("children of several types", [{"id": "Observation.value[x].unit", "path": "Observation.value[x].unit", "min": 1}], "several types"),
]  # fmt: skip


@pytest.mark.parametrize(("elements", "word"), [pytest.param(e, w, id=n) for n, e, w in REFUSED])
def test_unsupported_profiles_are_refused_by_name(elements: list[dict[str, Any]], word: str) -> None:
    with pytest.raises(UnsupportedError) as caught:
        snapshot_of("http://a.example/p", [profile("http://a.example/p", OBS, elements)])
    assert word in str(caught.value) and "http://a.example/p" in str(caught.value)


@pytest.mark.parametrize(
    ("kind", "path", "word"), [("value", "subject.resolve()", "resolve"), ("profile", "$this", "profile")]
)
def test_unsupported_discriminators_are_refused_by_name(base: Validator, kind: str, path: str, word: str) -> None:
    sliced = [
        {"id": "Observation.category", "path": "Observation.category", "slicing": {"discriminator": [{"type": kind, "path": path}], "rules": "open"}},
        {"id": "Observation.category:a", "path": "Observation.category", "sliceName": "a", "min": 1},
    ]  # fmt: skip
    made = profile("http://a.example/p", OBS, sliced)
    validator = Validator(local=False, artefacts=[made], profiles=["http://a.example/p"])
    text = b'{"resourceType":"Observation","status":"final","code":{"text":"x"},"category":[{"text":"x"}]}'
    findings = [f for f in validator.validate(text) if f.id == "profile-unsupported"]
    assert findings and word in findings[0].message and "Observation.category:a" in findings[0].found


def test_a_circle_of_profiles_is_refused() -> None:
    made = [
        profile("http://a.example/p", "http://a.example/q", []),
        profile("http://a.example/q", "http://a.example/p", []),
    ]
    with pytest.raises(UnsupportedError) as caught:
        snapshot_of("http://a.example/p", made)
    assert "circle" in str(caught.value)


def test_slices_of_types_and_content_references(base: Validator) -> None:
    """A type slice with children, and children reached through a contentReference."""
    elements = [
        {"id": "Observation.value[x]:valueQuantity", "path": "Observation.value[x]", "sliceName": "valueQuantity"},
        {"id": "Observation.value[x]:valueQuantity.code", "path": "Observation.value[x].code", "min": 1, "fixedCode": "mL"},
        {"id": "Observation.component.referenceRange.low", "path": "Observation.component.referenceRange.low", "min": 1},
    ]  # fmt: skip
    made = profile("http://a.example/p", OBS, elements)
    ids = [e["id"] for e in snapshot_of("http://a.example/p", [made])["snapshot"]["element"]]
    assert "Observation.value[x]:valueQuantity.code" in ids and "Observation.component.referenceRange.low" in ids
    validator = Validator(local=False, artefacts=[made], profiles=["http://a.example/p"])

    def errors(**fields: Any) -> list[str]:
        resource = {"resourceType": "Observation", "status": "final", "code": {"text": "x"}, **fields}
        return [f.id for f in validator.validate(json.dumps(resource).encode()) if f.severity == "error"]

    unit = "http://unitsofmeasure.org"
    assert errors(valueQuantity={"value": 1, "system": unit, "code": "mL"}) == []
    assert errors(valueQuantity={"value": 1, "system": unit, "code": "L"}) == ["fixed"]
    assert errors(component=[{"code": {"text": "y"}, "referenceRange": [{"text": "z"}]}]) == ["cardinality-min"]
