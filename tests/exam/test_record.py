"""The exam record: what is taken, what is refused and in which words (rules: the record format, version 1)."""

from __future__ import annotations

import copy
from decimal import Decimal
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from fhir_bladder import wire
from fhir_bladder.exam import RefusedRecord, dump, load, notes, same, status_of

LISBON = ZoneInfo("Europe/Lisbon")
ABSENT = object()


def put(data: dict[str, Any], path: str, value: Any) -> dict[str, Any]:
    """The record with one field set, or taken out."""
    *steps, last = path.split(".")
    current: Any = data
    for step in steps:
        current = current[int(step)] if isinstance(current, list) else current.setdefault(step, {})
    if value is ABSENT:
        del current[last]
    elif isinstance(current, list):
        current[int(last)] = value
    else:
        current[last] = value
    return data


def refused(data: Any, zone: ZoneInfo | None = None) -> RefusedRecord:
    with pytest.raises(RefusedRecord) as caught:
        load(data, zone=zone)
    return caught.value


def test_the_example_is_taken_and_comes_back(example: dict[str, Any]) -> None:
    record = load(example)
    assert wire.dumps(dump(record)) == wire.dumps(example)  # digit for digit, key order included
    assert record.wall is not None and str(record.wall.thickness.value) == "2.40"
    assert notes(record) == []


# (field, value, id of the problem, field of the problem, words that must stand in it)
WRONG = [
    ("colour", "red", "field-unknown", "colour", "unknown field 'colour'"),
    ("scan", [], "field-unknown", "scan", "did you mean 'scans'?"),
    ("scans.0.centering", "centred", "field-unknown", "scans.0.centering", "did you mean 'centring'?"),
    ("device.serial_no", "1", "field-unknown", "device.serial_no", "did you mean 'serial'?"),
    ("record_version", "2", "version-unknown", "record_version", "record version '2' is not known"),
    ("record_version", 1, "version-unknown", "record_version", 'write "1"'),
    ("record_version", ABSENT, "field-missing", "record_version", "is missing"),
    ("exam_number", ABSENT, "field-missing", "exam_number", "is missing"),
    ("exam_number", None, "field-missing", "exam_number", "is missing"),
    ("exam_number", 417, "wrong-type", "exam_number", "must be a text, not a number"),
    ("exam_number", "  ", "text-not-usable", "exam_number", "is empty"),
    ("exam_number", "1\x002", "text-not-usable", "exam_number", "characters that no text may hold"),
    ("exam_number", "1" * 10_001, "text-too-long", "exam_number", "longer than 10,000 characters"),
    ("device", ABSENT, "field-missing", "device", "is missing"),
    ("device.serial", ABSENT, "field-missing", "device.serial", "is missing"),
    ("device", "LK", "wrong-type", "device", "must be an object, not a text"),
    ("device.calibrated_on", "2026-02-30", "date-not-readable", "device.calibrated_on", "not a date"),
    ("patient.identifiers.0.system", "hospital numbers", "uri-not-usable", "patient.identifiers.0.system", "URI"),
    ("patient.identifiers.0.value", ABSENT, "field-missing", "patient.identifiers.0.value", "is missing"),
    ("patient.birth_date", "9.3.1951", "date-not-readable", "patient.birth_date", "write it as 1951-03-09"),
    ("patient.administrative_gender", "F", "value-not-listed", "patient.administrative_gender", "male, female"),
    ("started_at", "2026-11-18T10:42:00", "time-without-offset", "started_at", "--timezone"),
    ("started_at", "18.11.2026 10:42", "time-not-readable", "started_at", "2026-11-18T10:42:00+00:00"),
    ("started_at", "2026-02-29T10:42:00Z", "time-not-readable", "started_at", "is not a date-time"),
    ("started_at", "2026-11-18T10:42:00+15:00", "time-not-readable", "started_at", "offset that no place has"),
    ("started_at", "0026-11-18T10:42:00Z", "time-not-readable", "started_at", "year 26"),
    ("started_at", 1763462520, "time-not-readable", "started_at", "must be a text, not a number"),
    ("uterus_present", "no", "wrong-type", "uterus_present", "must be true or false, not a text"),
    ("void_state", "postvoid", "value-not-listed", "void_state", "did you mean 'post-void'?"),
    ("void_state", ABSENT, "field-missing", "void_state", "say pre-void, post-void or unspecified"),
    ("voided_volume", {"value": 260}, "field-missing", "voided_volume.unit", "UCUM"),
    ("voided_volume", {"unit": "mL"}, "field-missing", "voided_volume.value", "is missing"),
    ("voided_volume", 260, "wrong-type", "voided_volume", "must be an object, not a number"),
    ("voided_volume.unit", "ML", "unit-not-usable", "voided_volume.unit", "megalitre"),
    ("voided_volume.unit", "mm", "unit-not-usable", "voided_volume.unit", "measures length, not volume"),
    ("voided_volume.unit", "bottles", "unit-not-usable", "voided_volume.unit", "write one of mL"),
    ("voided_volume.value", "260", "wrong-type", "voided_volume.value", "must be a number, not a text"),
    ("voided_volume.value", True, "wrong-type", "voided_volume.value", "must be a number"),
    ("voided_volume.value", Decimal("NaN"), "number-not-finite", "voided_volume.value", "not a finite number"),
    ("voided_volume.value", float("inf"), "number-not-finite", "voided_volume.value", "not a finite number"),
    ("voided_volume.value", Decimal("1e400"), "number-out-of-range", "voided_volume.value", "digits"),
    ("voided_volume.value", 10**400, "number-out-of-range", "voided_volume.value", "digits"),
    ("voided_volume.comparator", ">", "comparator-not-taken", "voided_volume.comparator", "only with the volume of a"),
    ("wall.thickness.comparator", "<", "comparator-not-taken", "wall.thickness.comparator", "only with the volume of"),
    ("scans.0.volume.comparator", ">=", "value-not-listed", "scans.0.volume.comparator", "write < or >"),
    ("scans", ABSENT, "field-missing", "scans", "at least one scan"),
    ("scans", [], "list-empty", "scans", "is empty"),
    ("scans", {}, "wrong-type", "scans", "must be a list, not an object"),
    ("scans.0", 5, "wrong-type", "scans.0", "must be an object, not a number"),
    ("scans.0.scan_number", 0, "number-too-small", "scans.0.scan_number", "count from 1"),
    ("scans.0.scan_number", 2**31, "number-too-large", "scans.0.scan_number", "above 2147483647"),  # R4 integer
    ("wall.scan_number", 2**31, "number-too-large", "wall.scan_number", "above 2147483647"),
    ("scans.0.scan_number", Decimal("1.5"), "wrong-type", "scans.0.scan_number", "must be a whole number"),
    ("scans.0.scan_number", "1", "wrong-type", "scans.0.scan_number", "must be a whole number, not a text"),
    ("scans.1.scan_number", 1, "scan-number-twice", "scans.1.scan_number", "scan number 1 stands twice"),
    ("scans.0.absent_reason", "failed", "scan-volume-or-reason", "scans.0.absent_reason", "exactly one of"),
    ("scans.0.volume", ABSENT, "scan-volume-or-reason", "scans.0.volume", "exactly one of"),
    ("scans.0.off_centre_towards", ["up"], "value-not-listed", "scans.0.off_centre_towards.0", "left, right"),
    ("scans.0.off_centre_towards", "left", "wrong-type", "scans.0.off_centre_towards", "must be a list"),
    ("reported_scan", 3, "reported-scan-not-there", "reported_scan", "the scans are 1, 2"),
    ("choice_rule", "median", "reported-scan-with-rule", "reported_scan", "exclude each other"),
    ("choice_rule", "mean", "reported-scan-with-rule", "reported_scan", "exclude each other"),
    ("diameters", {"length": {"value": 9, "unit": "cm"}}, "field-missing", "diameters.width", "is missing"),
    ("earlier_voids", [{}], "field-missing", "earlier_voids.0.at", "is missing"),
    ("verified.by", ABSENT, "field-missing", "verified.by", "is missing"),
    ("action", {"note": "told the ward"}, "field-missing", "action.what", "is missing"),
    ("supersedes", "2026-00417", "supersedes-itself", "supersedes", "supersedes itself"),
    ("status", "done", "value-not-listed", "status", "write final, preliminary"),
]


@pytest.mark.parametrize(("path", "value", "id", "field", "words"), WRONG, ids=[f"{w[0]}-{w[2]}" for w in WRONG])
def test_refused_with_place_and_remedy(
    example: dict[str, Any], path: str, value: Any, id: str, field: str, words: str
) -> None:
    error = refused(put(example, path, value))
    problem = next((p for p in error.problems if p.field == field), None)
    assert problem is not None, [str(p) for p in error.problems]
    assert problem.id == id
    assert words in str(problem)
    assert problem.remedy
    for text in map(str, error.problems):
        assert "\n" not in text
        for raw in ("Input should", "pydantic", "Extra inputs", "valid string", "Field required", "instance of"):
            assert raw not in text


@pytest.mark.parametrize("data", [[], "text", 5, None, True])
def test_what_is_no_object_is_no_record(data: Any) -> None:
    assert refused(data).id == "not-a-record"


def test_all_problems_are_told_at_once(example: dict[str, Any]) -> None:
    put(put(put(example, "colour", 1), "scans.0.volume.unit", "ML"), "reported_scan", 7)
    error = refused(example)
    assert {p.field for p in error.problems} == {"colour", "scans.0.volume.unit", "reported_scan"}
    assert str(error.problems[0]) == str(error)


def test_a_list_with_a_wrong_entry_is_not_called_empty(example: dict[str, Any]) -> None:
    example["scans"] = [{"scan_number": 1}]
    del example["reported_scan"]
    assert [p.field for p in refused(example).problems] == ["scans.0.volume"]


def test_averages_refuse_comparators(example: dict[str, Any]) -> None:
    del example["reported_scan"]
    put(put(example, "choice_rule", "median"), "scans.1.volume.comparator", ">")
    error = refused(example)
    assert (error.id, error.field) == ("comparator-in-average", "scans.1.volume.comparator")
    put(example, "choice_rule", "largest")
    assert load(example).scans[1].volume.comparator == ">"


def test_patient_data_is_not_repeated_in_a_message(example: dict[str, Any]) -> None:
    secret = "Htest-Seven"
    example["patient"] = {
        "family_name": [secret], "administrative_gender": secret, "birth_date": secret,
        "identifiers": [{"system": secret, "value": 5}], "given_names": secret,
    }  # fmt: skip
    error = refused(example)
    assert len(error.problems) == 6
    assert secret not in " ".join(map(str, error.problems))


@pytest.mark.parametrize("path", ["patient", "operator", "wall", "earlier_voids", "scans.0.off_centre_towards"])
@pytest.mark.parametrize("nothing", [None, "empty"])
def test_empty_equals_absent(example: dict[str, Any], path: str, nothing: str | None) -> None:
    example.pop("patient")
    example.pop("wall")
    del example["scans"][0]["off_centre_towards"]
    bare = load(example)
    value = {"patient": {"identifiers": []}, "operator": {}, "wall": {"layer": None}}.get(path, []) if nothing else None
    assert same(load(put(copy.deepcopy(example), path, value)), bare)
    assert dump(load(put(example, path, value))) == dump(bare)


def test_same_compares_text_not_numbers(example: dict[str, Any]) -> None:
    def wall(digits: str) -> Any:
        return load(put(copy.deepcopy(example), "wall.thickness.value", Decimal(digits)))

    assert same(wall("2.40"), wall("2.40"))
    assert not same(wall("2.40"), wall("2.4"))
    other_text = put(copy.deepcopy(example), "started_at", "2026-11-18T10:42:00Z")
    assert not same(load(example), load(other_text))
    assert same(load(example), load(put(copy.deepcopy(example), "status", "final")))  # the default, as it is verified
    assert not same(load(example), load(put(copy.deepcopy(example), "status", "amended")))


def test_status_by_default(example: dict[str, Any]) -> None:
    assert status_of(load(example)) == "final"
    del example["verified"]
    assert status_of(load(example)) == "preliminary"
    assert "status" not in dump(load(example))


def test_aliases_are_taken_with_a_note(example: dict[str, Any]) -> None:
    put(put(example, "voided_volume.unit", "cc"), "scans.1.volume.unit", "mls")
    record = load(example)
    assert record.voided_volume.canonical == 260
    assert [(n.field, n.found, n.expected) for n in notes(record)] == [
        ("voided_volume.unit", "cc", "mL"),
        ("scans.1.volume.unit", "mls", "mL"),
    ]
    assert dump(record)["voided_volume"]["unit"] == "cc"


def test_reference_to_a_scan_that_is_not_there_is_noted(example: dict[str, Any]) -> None:
    (note,) = notes(load(put(example, "wall.scan_number", 9)))
    assert (note.id, note.field) == ("scan-number-not-there", "wall.scan_number")


# Clock changes of Europe/Lisbon in 2026 by the IANA database: forward 29 March 01:00 UTC, back 25 October 01:00 UTC.
@pytest.mark.parametrize(
    ("text", "id", "readings"),
    [
        ("2026-10-25T01:30:00", "time-ambiguous", ("2026-10-25T01:30:00+01:00", "2026-10-25T01:30:00+00:00")),
        ("2026-03-29T01:30", "time-impossible", ("2026-03-29T01:30:00+00:00", "2026-03-29T01:30:00+01:00")),
    ],
)
def test_local_times_that_a_clock_change_spoils(
    example: dict[str, Any], text: str, id: str, readings: tuple[str, str]
) -> None:
    error = refused(put(example, "started_at", text), LISBON)
    assert error.id == id and error.field == "started_at"
    assert all(reading in str(error) for reading in readings)


def test_local_time_with_a_zone_keeps_its_text(example: dict[str, Any]) -> None:
    record = load(put(example, "started_at", "2026-07-01 10:42"), zone=LISBON)
    assert record.started_at.wire == "2026-07-01T10:42:00+01:00"
    assert dump(record)["started_at"] == "2026-07-01 10:42"


@pytest.mark.parametrize(
    ("text", "wire_form"),
    [
        ("2026-11-18T10:42:00Z", "2026-11-18T10:42:00Z"),
        ("2026-11-18T10:42:00.5+01:00", "2026-11-18T10:42:00.5+01:00"),
        ("2026-11-18t10:42z", "2026-11-18T10:42:00+00:00"),
        ("2026-11-18 10:42+0530", "2026-11-18T10:42:00+05:30"),
        ("2026-11-18T10:42:00.123456789Z", "2026-11-18T10:42:00.123456+00:00"),
    ],
)
def test_times_on_the_wire(example: dict[str, Any], text: str, wire_form: str) -> None:
    record = load(put(example, "started_at", text))
    assert (record.started_at.text, record.started_at.wire) == (text, wire_form)


def test_a_float_keeps_the_digits_a_json_library_would_write(example: dict[str, Any]) -> None:
    assert str(load(put(example, "wall.thickness.value", 2.4)).wall.thickness.value) == "2.4"
