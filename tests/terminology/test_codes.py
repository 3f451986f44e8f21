"""Local codes, mappings and notices, against the marks of the code research (certainty A, B, C; check digits)."""

from __future__ import annotations

import re

import pytest

from fhir_bladder import mapping
from fhir_bladder.mapping import components, extensions
from fhir_bladder.terminology import codes, names
from fhir_bladder.terminology.artefacts import load, profile_dir
from fhir_bladder.terminology.sites import CONDITIONS, _mod10, _verhoeff

ALLOWED = {
    # The code research's own table: code -> certainty there. Anything else would be an invented code.
    (names.LOINC, "25019-1"): "A", (names.LOINC, "69388-7"): "A", (names.LOINC, "15309-8"): "B",
    (names.LOINC, "98856-8"): "C", (names.LOINC, "9197-5"): "C", (names.LOINC, "9187-6"): "B",
    (names.LOINC, "59089-3"): "C", (names.SNOMED, "169251004"): "B", (names.SNOMED, "700387001"): "A",
    (names.SNOMED, "364201005"): "B", (names.SNOMED, "77386006"): "A", (names.SNOMED, "161800001"): "A",
    (names.SNOMED, "389026000"): "A", (names.DICOM, "130324"): "A", (names.DICOM, "122445"): "A",
}  # fmt: skip
IN_USE = {
    # written by the mapping without a row of the ConceptMap: body site, positions, void states (all certainty A)
    "89837001", "40199007", "33586001", "10904000", "102536004", "102535000", "109134", "109135",
}  # fmt: skip


def test_no_code_of_another_system_beyond_those_researched() -> None:
    for row in codes.mappings():
        assert ALLOWED[row.system, row.code] == row.certainty, row


def test_every_mapping_names_a_local_concept_and_says_why() -> None:
    for row in codes.mappings():
        assert row.concept in codes.concepts()
        assert row.comment.endswith(".")
        assert row.use in ("default", "report", "site", "never")
        assert row.certainty != "C" or row.use in ("site", "never"), "C stands behind the site's table"
        if (row.system, row.code) in codes.post_void_codes():
            assert row.condition == ("void-state", "post-void")


def test_check_digits() -> None:
    """LOINC mod 10 and SNOMED CT Verhoeff on known codes; 241534003 fails (refuted in the code research)."""
    assert all(_mod10(code) for system, code in ALLOWED if system == names.LOINC)
    assert all(_verhoeff(code) for system, code in ALLOWED if system == names.SNOMED)
    assert all(_verhoeff(code) for code in IN_USE if len(code) > 6)
    assert not _verhoeff("241534003")
    assert not _mod10("15309-7")
    assert not _mod10("15309")


def test_codes_in_python_exist_in_the_artefacts() -> None:
    """Every code the mapping writes is in the CodeSystem."""
    known = codes.concepts()
    measured = {code for code, concept in known.items() if concept.kind == "measurement"}
    assert {concept for _, concept, _ in components._BOOLEANS} <= {c for c, v in known.items() if v.kind == "context"}
    assert set(components._ATTEMPTS) == {c for c, v in known.items() if v.kind == "void-attempt"}
    assert set(extensions.ACTIONS.values()) == {c for c, v in known.items() if v.kind == "action"}
    assert "volume" in measured
    assert all(known[code].unit for code in measured)
    assert {code for code, _ in extensions.POSITIONS.values()} <= IN_USE
    assert mapping.exam_key("a", "b") == "a/b"


def test_extension_urls_have_a_definition() -> None:
    defined = {artefact["url"] for artefact in load("StructureDefinition")}
    ours = {
        value for name, value in vars(names).items()
        if name.isupper() and isinstance(value, str) and value.startswith(names.BASE + "StructureDefinition/")
        and value != names.BASE + "StructureDefinition/"
    }  # fmt: skip
    assert ours == defined


def test_artefacts_are_complete_and_named_by_their_id() -> None:
    paths = sorted(profile_dir().glob("*.json"))
    assert len(paths) > 50
    for kind in ("StructureDefinition", "CodeSystem", "ValueSet", "ConceptMap", "CapabilityStatement"):
        for artefact in load(kind):
            assert (profile_dir() / f"{kind}-{artefact['id']}.json").is_file()
            assert artefact["url"] == f"{names.BASE}{kind}/{artefact['id']}"
            assert artefact["version"] == names.VERSION
            assert artefact["title"]
            assert artefact["description"].endswith(".")
            assert re.fullmatch(r"[A-Z][A-Za-z0-9_]{0,254}", artefact["name"]), "R4 invariant of names"


def test_value_sets_hold_only_codes_that_exist() -> None:
    known = set(codes.concepts())
    for values in load("ValueSet"):
        for part in values["compose"]["include"]:
            if part["system"] == names.LOCAL and "concept" in part:
                assert {concept["code"] for concept in part["concept"]} <= known


def test_every_list_of_values_has_its_value_set() -> None:
    kinds = {concept.kind for concept in codes.concepts().values()} - {"exam", "measurement", "context", "choice-how"}
    for kind in kinds:
        (values,) = (one for one in load("ValueSet") if one["id"] == kind)
        listed = {concept["code"] for concept in values["compose"]["include"][0]["concept"]}
        assert listed == {code for code, concept in codes.concepts().items() if concept.kind == kind}


def test_notices_of_the_owners() -> None:
    text = codes.notice()
    for owner in ("Regenstrief Institute", "SNOMED International", "NEMA", "UCUM Organization"):
        assert owner in text
    assert len(codes.notices()) == 4


def test_certainty_of_what_is_written() -> None:
    assert codes.certainty(names.LOCAL, "volume") == "local"
    assert codes.certainty(names.LOINC, "15309-8") == "B"
    assert codes.certainty("urn:x:site", "1") == "site"
    assert {row.certainty for row in codes.mappings()} <= set(codes.CERTAINTIES)


def test_local_refuses_what_does_not_exist() -> None:
    with pytest.raises(KeyError):
        codes.local("post-void-volume")


def test_conditions_are_the_record_s_own_values() -> None:
    from typing import get_args

    from fhir_bladder.exam import model

    assert CONDITIONS["void_state"] == get_args(model.VoidState)
    assert CONDITIONS["void_attempt"] == get_args(model.VoidAttempt)
    assert CONDITIONS["layer"] == get_args(model.Layer)
    assert CONDITIONS["choice_rule"] == get_args(model.ChoiceRule)
