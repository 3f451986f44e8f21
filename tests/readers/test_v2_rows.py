"""Each row of the v2-to-FHIR 1.0.0 (STU 1) segment and data type maps that we claim, by name, message to FHIR.

The base message is the smallest; a row changes one field, and the named FHIR element must say it.
Source: HL7/v2-to-fhir, commit 8c9b414b; OBX-8 statuses: IHE PCD-01 by HL7/uv-pocd 1.0.0-ballot3.
"""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from fhir_bladder.mapping import MapOptions, to_fhir
from fhir_bladder.readers import v2_map
from fhir_bladder.readers.items import ReadItem
from fhir_bladder.readers.v2_records import read_message

BASE = {
    "MSH": r"|^~\&|APP|FAC|EHR|HOSP|20261118104500+0000||ORU^R01^ORU_R01|7|P|2.5.1",
    "PID": "|||700-431^^^HOSP^MR||Htest-Seven^Syn^Thetic||19510309|F",
    "PV1": "||I|W3^12^2||||||||||||||||V-8^^^VISITS",
    "ORC": "|RE|P-1^ORDERS|E-1^FILL",
    "OBR": "|1|P-1^ORDERS|E-1^FILL|25019-1^US Urinary bladder^LN|||20261118104200+0000||||||||||||||||||F",
    "OBX": "|1|NM|volume^Bladder volume^99FHBLAD|1|186|mL^milliliter^UCUM|||||F|||||||LK-1",
}
MAPS = v2_map.parse(
    b"""
[[observation]]
code = "TAKEN"
system = "99X"
field = "catheter_removed_at"
[[observation]]
code = "WHY"
system = "99X"
field = "reason"
[[observation]]
code = "SIDES"
system = "99X"
field = "scans.off_centre_towards"
[authorities]
HOSP = "https://records.example/mrn"
VISITS = "https://records.example/visit"
ORDERS = "https://records.example/order"
STAFF = "https://records.example/staff"
"""
)


def message(*, also: str = "", drop: tuple[str, ...] = (), **changes: str) -> bytes:
    """The base message with fields replaced (`OBX_11="C"`), segments dropped or added."""
    lines = []
    for name, body in BASE.items():
        fields = (name + body).split("|")
        for key, value in changes.items():
            segment, number = key.split("_")
            if segment == name:
                position = int(number) - (name == "MSH")
                fields += [""] * (position + 1 - len(fields))
                fields[position] = value
        if name not in drop:
            lines.append("|".join(fields))
    return "\r".join([*lines, *filter(None, also.split("\r"))]).encode()


def items_of(**changes: Any) -> list[ReadItem]:
    return read_message(message(**changes), MAPS)


def fhir_of(**changes: Any) -> dict[str, list[dict[str, Any]]]:
    """Resources by type of the one exam of the message."""
    (item,) = items_of(**changes)
    assert item.record is not None, [f.message for f in item.findings]
    bundle = to_fhir(item.record, options=MapOptions()).bundle
    result: dict[str, list[dict[str, Any]]] = {}
    for entry in bundle["entry"]:
        result.setdefault(entry["resource"]["resourceType"], []).append(entry["resource"])
    return result


def walk(value: Any, path: str) -> Iterator[Any]:
    """All values at a path such as `component.valueQuantity.value`; lists are flattened."""
    if isinstance(value, list):
        for item in value:
            yield from walk(item, path)
    elif not path:
        yield value
    elif isinstance(value, dict):
        head, _, rest = path.partition(".")
        if head in value:
            yield from walk(value[head], rest)


OB, R, P, D = "Observation", "DiagnosticReport", "Patient", "Device"
COMPARATOR, ABSENT = "component.valueQuantity.comparator", "component.dataAbsentReason.coding.code"
AT, ISO = "20261118104307+0000", "2026-11-18T10:43:07+00:00"
ROWS: list[tuple[str, dict[str, Any], str, str, Any]] = [
    ("PID-3_identifier_value", {}, P, "identifier.value", "700-431"),
    ("PID-3_identifier_system_from_CX-4", {}, P, "identifier.system", "https://records.example/mrn"),
    ("PID-3_identifier_type_from_CX-5", {}, P, "identifier.type.coding.code", "MR"),
    ("CX-4_HD-2_ISO_system_urn_oid", {"PID_3": "1^^^&1.2.3&ISO^MR"}, P, "identifier.system", "urn:oid:1.2.3"),
    ("PID-5_XPN-1_name_family", {}, P, "name.family", "Htest-Seven"),
    ("PID-5_XPN-2_name_given", {}, P, "name.given", "Syn"),
    ("PID-5_XPN-3_name_given", {}, P, "name.given", "Thetic"),
    ("PID-7_birthDate", {}, P, "birthDate", "1951-03-09"),
    ("PID-8_gender_F", {}, P, "gender", "female"),
    ("PID-8_gender_M", {"PID_8": "M"}, P, "gender", "male"),
    ("PID-8_gender_O", {"PID_8": "O"}, P, "gender", "other"),
    ("PID-8_gender_U", {"PID_8": "U"}, P, "gender", "unknown"),
    ("PV1-19_encounter_identifier", {}, OB, "encounter.identifier.value", "V-8"),
    ("ORC-2_basedOn", {"OBR_2": ""}, OB, "basedOn.identifier.value", "P-1"),
    ("OBR-2_basedOn", {"ORC_2": ""}, OB, "basedOn.identifier.value", "P-1"),
    ("OBR-3_filler_number", {"ORC_3": ""}, OB, "identifier.value", "LK-1/E-1"),
    ("ORC-3_filler_number", {"OBR_3": ""}, OB, "identifier.value", "LK-1/E-1"),
    ("OBR-4_report_code", {}, R, "code.coding.code", "25019-1"),
    ("OBR-4_report_code_post_void", {"OBR_4": "69388-7^^LN"}, R, "code.coding.code", "69388-7"),
    ("OBR-7_effectiveDateTime", {}, OB, "effectiveDateTime", "2026-11-18T10:42:00+00:00"),
    (
        "OBR-22_issued",
        {"OBR_22": "20261118104400+0000", "OBR_32": "9&Htest-Verifier"},
        "Observation",
        "issued",
        "2026-11-18T10:44:00+00:00",
    ),
    ("OBR-25_F_final", {"OBX_11": ""}, OB, "status", "final"),
    ("OBR-25_P_preliminary", {"OBR_25": "P"}, OB, "status", "preliminary"),
    ("OBR-25_C_corrected", {"OBR_25": "C"}, OB, "status", "corrected"),
    ("OBR-25_X_cancelled", {"OBR_25": "X"}, OB, "status", "cancelled"),
    ("OBR-31_reasonCode", {"OBR_31": "x^retention^L"}, OB, "extension.valueCodeableConcept.text", "retention"),
    ("OBR-34_performer", {"OBR_34": "7&Tech&Htest"}, OB, "performer.display", "Htest Tech (7)"),
    ("OBX-3_component_code", {}, OB, "component.code.coding.code", "volume"),
    ("OBX-3_CWE-4_alternate_code", {"OBX_3": "1^x^99Y^15309-8^y^LN"}, OB, "component.valueQuantity.value", 186),
    ("OBX-5_NM_valueQuantity_value", {}, OB, "component.valueQuantity.value", 186),
    ("OBX-5_SN_comparator", {"OBX_2": "SN", "OBX_5": ">^999"}, OB, COMPARATOR, ">"),
    ("OBX-5_SN_value", {"OBX_2": "SN", "OBX_5": "^186"}, OB, "component.valueQuantity.value", 186),
    ("OBX-5_ST_value", {"OBX_2": "ST", "OBX_5": "<10"}, OB, COMPARATOR, "<"),
    (
        "OBX-5_CWE_valueCodeableConcept",
        {"also": "OBX|2|CWE|130324^^DCM||109134^Prior to voiding^DCM||||||F"},
        "Observation",
        "component.valueCodeableConcept.coding.code",
        "109134",
    ),
    (
        "OBX-5_CWE_boolean_table_0136",
        {"also": "OBX|2|CWE|ascites^^99FHBLAD||Y^Yes^HL70136||||||F"},
        "Observation",
        "component.valueBoolean",
        True,
    ),
    (
        "OBX-5_DTM_valueDateTime",
        {"also": "OBX|2|DTM|TAKEN^^99X||20261117080000+0000||||||F"},
        "Observation",
        "extension.valueDateTime",
        "2026-11-17T08:00:00+00:00",
    ),
    (
        "OBX-5_TX_valueString",
        {"also": "OBX|2|TX|WHY^^99X||no \\T\\ nothing||||||F"},
        "Observation",
        "extension.valueCodeableConcept.text",
        "no & nothing",
    ),
    ("OBX-6_unit_code", {}, OB, "component.valueQuantity.code", "mL"),
    ("OBX-6_unit_system", {}, OB, "component.valueQuantity.system", "http://unitsofmeasure.org"),
    ("OBX-6_CWE-2_unit_where_CWE-1_is_empty", {"OBX_6": "^mL"}, OB, "component.valueQuantity.code", "mL"),
    ("OBX-8_above_scale", {"OBX_8": ">"}, OB, COMPARATOR, ">"),
    ("OBX-8_below_scale", {"OBX_8": "<"}, OB, COMPARATOR, "<"),
    ("OBX-8_INV_dataAbsentReason_error", {"OBX_8": "INV"}, OB, ABSENT, "error"),
    ("OBX-8_TEST_HTEST", {"OBX_8": "TEST"}, OB, "meta.security.code", "HTEST"),
    ("OBX-8_DEMO_HTEST", {"OBX_8": "DEMO"}, OB, "meta.security.code", "HTEST"),
    ("OBX-8_QUES_not_final", {"OBX_8": "QUES"}, OB, "status", "preliminary"),
    ("OBX-8_VAL_final", {"OBX_8": "VAL"}, OB, "status", "final"),
    ("OBX-11_F_final", {}, OB, "status", "final"),
    ("OBX-11_P_preliminary", {"OBX_11": "P"}, OB, "status", "preliminary"),
    ("OBX-11_R_not_validated", {"OBX_11": "R"}, OB, "status", "preliminary"),
    ("OBX-11_A_amended", {"OBX_11": "A"}, OB, "status", "amended"),
    ("OBX-11_C_corrected", {"OBX_11": "C"}, OB, "status", "corrected"),
    ("OBX-11_D_entered-in-error", {"OBX_11": "D"}, OB, "status", "entered-in-error"),
    ("OBX-11_W_entered-in-error", {"OBX_11": "W"}, OB, "status", "entered-in-error"),
    ("OBX-11_X_cancelled", {"OBX_11": "X"}, OB, "status", "cancelled"),
    ("OBX-14_taken_at", {"OBX_14": AT}, OB, "component.extension.valueDateTime", ISO),
    ("OBX-14_effective_without_OBR-7", {"OBR_7": "", "OBX_14": AT}, OB, "effectiveDateTime", ISO),
    ("OBX-16_performer", {"OBX_16": "12^Op^Htest^^^^^^STAFF"}, OB, "performer.identifier.value", "12"),
    ("OBX-16_performer_display", {"OBX_16": "12^Op^Htest^^^^^^STAFF"}, OB, "performer.display", "Htest Op"),
    ("OBX-18_device_identifier", {}, D, "identifier.value", "LK-1"),
    ("PRT-10_device_identifier", {"OBX_18": "", "also": "PRT||UC||EQUIP||||||LK-2"}, D, "identifier.value", "LK-2"),
    ("PRT-16_udi_deviceIdentifier", {"also": "PRT||UC||E||||||LK-1||||||01"}, D, "udiCarrier.deviceIdentifier", "01"),
    ("PRT-20_device_serial_number", {"also": "PRT||UC||EQUIP||||||X^Y||||||||||LK-3"}, D, "serialNumber", "LK-3"),
    ("PRT-5_performer", {"also": "PRT||UC||PO|31^Op^Htest^^^^^^STAFF"}, OB, "performer.identifier.value", "31"),
    ("PRT-9_event_location", {"also": "PRT||UC||PO|||||W4^1"}, OB, "extension.valueReference.display", "W4 1"),
]  # fmt: skip


@pytest.mark.parametrize(("row", "changes", "resource", "path", "value"), ROWS, ids=[row[0] for row in ROWS])
def test_row(row: str, changes: dict[str, Any], resource: str, path: str, value: Any) -> None:
    resources = fhir_of(**changes)
    assert value in list(walk(resources.get(resource, []), path)), resources.get(resource)


def test_a_row_that_is_not_sent_says_nothing() -> None:
    """The positive tests above could pass on anything: without the field, the value must not be there."""
    resources = fhir_of(drop=("PID", "PV1", "ORC"), OBR_2="")
    assert list(walk(resources["Observation"], "encounter")) == list(walk(resources["Observation"], "basedOn")) == []
    assert list(walk(resources["Observation"], "meta.security")) == []
    assert "Patient" not in resources


def one(**changes: Any) -> ReadItem:
    (item,) = items_of(**changes)
    return item


def findings(item: ReadItem, id: str) -> list[str]:
    return [finding.message for finding in item.findings if finding.id == id]


OBX = "OBX|{}|NM|{}^^99FHBLAD|{}|{}|{}|||||{}|||||||LK-1"


def obx(code: str = "scan-volume", sub: str = "", value: Any = 100, unit: str = "mL", status: str = "F") -> str:
    return OBX.format(2, code, sub, value, unit, status)


def test_sub_ids_group_and_number_the_repeats() -> None:
    item = one(
        OBX_4="3", also=f"{obx(sub='1', value=170)}\r{obx(sub='2', value=180)}\r{obx('wall-thickness', '2', 2.4, 'mm')}"
    )
    assert [(s.scan_number, int(s.volume.value)) for s in item.record.scans] == [(3, 186), (1, 170), (2, 180)]
    assert item.record.reported_scan == 3  # `volume` is the result, `scan-volume` a repeat
    assert item.record.wall.scan_number == 2


def test_the_result_is_named_by_its_group_whatever_the_order() -> None:
    first = "OBX|1|CWE|SIDES^^99X|1|left||||||F"
    item = one(drop=("OBX",), also=f"{first}\r{obx(sub='2', value=170)}\r{obx('volume', '1', 180)}")
    assert [(s.scan_number, int(s.volume.value)) for s in item.record.scans] == [(1, 180), (2, 170)]
    assert item.record.reported_scan == 1


def test_repeats_without_sub_id_are_scans_in_order() -> None:
    item = one(OBX_4="", OBX_3="scan-volume^^99FHBLAD", also=f"{obx(value=170)}\r{obx(value=180)}")
    assert [(s.scan_number, int(s.volume.value)) for s in item.record.scans] == [(1, 186), (2, 170), (3, 180)]
    assert item.record.reported_scan is None


def test_pcd_tuples_group_by_channel() -> None:
    item = one(OBX_4="1.1.1.1", also=f"OBX|2|CWE|SIDES^^99X|1.1.1.2|left~cranial||||||F\r{obx(sub='1.1.2.1')}")
    assert [(s.scan_number, s.off_centre_towards) for s in item.record.scans] == [(1, ("left", "cranial")), (2, None)]


def test_one_group_cannot_hold_two_volumes() -> None:
    item = one(also=obx(sub="1"))
    assert item.record is None and "holds volume twice (segment 6)" in findings(item, "v2-twice")[0]


def test_part_of_an_exam_taken_back_makes_it_corrected() -> None:
    item = one(also=obx("wall-thickness", "1", 2.4, "mm", "D"))
    assert (item.record.status, item.record.wall) == ("corrected", None)
    assert findings(item, "v2-retracted")


def test_a_scan_without_result() -> None:
    item = one(also=obx(sub="2", value="", status="X"))
    assert [s.absent_reason for s in item.record.scans] == [None, "failed"] and item.record.status == "final"


@pytest.mark.parametrize("flag", ["NAV", "BUSY", "NI", "OFF"])
def test_no_value_yet(flag: str) -> None:
    item = one(also=obx(sub="2").replace("|||||F", f"||{flag}|||F"))
    assert len(item.record.scans) == 1 and findings(item, "v2-no-value")


def test_several_patients_and_orders() -> None:
    second = "\r".join(
        ["PID|||700-9^^^HOSP^MR", BASE["OBR"].replace("E-1", "E-2").join(["OBR", ""]), "OBX" + BASE["OBX"],
         BASE["OBR"].replace("E-1", "E-3").join(["OBR", ""]), "OBX" + BASE["OBX"]]
    )  # fmt: skip
    items = items_of(also=second)
    assert [(i.record.exam_number, i.record.patient.identifiers[0].value) for i in items] == [
        ("E-1", "700-431"), ("E-2", "700-9"), ("E-3", "700-9"),
    ]  # fmt: skip
    assert len({i.sha256 for i in items}) == 1


def test_orders_with_one_filler_number_are_one_exam() -> None:
    item = one(also="OBR" + BASE["OBR"] + "\r" + obx("wall-thickness", "1", 2.4, "mm"))
    assert item.record.wall.thickness.canonical and len(item.record.scans) == 1


def test_what_is_not_mapped_is_listed() -> None:
    item = one(PID_11="Street 1", OBX_7="0-50", also="NTE|1||a note\rOBX|3|NM|8302-2^Height^LN||170|cm|||||F\rZXX|1")
    listed = " ".join(findings(item, "v2-not-mapped"))
    for name in ("'8302-2' of 'LN'", "PID-11", "OBX-7", "NTE", "ZXX"):
        assert name in listed
    assert "170" not in listed and "Street" not in listed


def test_time_zones() -> None:
    assert one(OBR_7="202611181042").record.started_at.text == "2026-11-18T10:42+00:00"  # the offset of MSH-7
    item = one(MSH_7="20261118104500", OBR_7="20261118104200")
    assert findings(item, "time-without-offset") == ["'2026-11-18T10:42:00' has no offset (segment 5, OBR-7)"]
    site = v2_map.parse(b'timezone = "Europe/Lisbon"')
    (item,) = read_message(message(MSH_7="", OBR_7="20260701104200"), site)
    assert item.record.started_at.wire == "2026-07-01T10:42:00+01:00"


# What the issue lists as bad input, and its kin: (changes, id, words, field)
BAD: list[tuple[dict[str, Any], str, str]] = [
    ({"OBX_5": "abc"}, "number-not-readable", "'abc' is not a number (segment 6, OBX-5)"),
    ({"OBX_6": "mm"}, "unit-not-usable", "unit 'mm' measures length, not volume (segment 6, OBX-6)"),
    ({"OBX_6": "ML"}, "unit-not-usable", "megalitre"),
    ({"OBX_6": ""}, "unit-missing", "OBX-6"),
    ({"OBX_2": ""}, "v2-type-missing", "OBX-2"),
    ({"OBX_2": "ED"}, "v2-type", "OBX-2"),
    ({"OBX_2": "DTM", "OBX_5": "2026"}, "v2-type", "does not fit"),
    ({"OBX_2": "SN", "OBX_5": "^1^-^2"}, "v2-type", "range or ratio"),
    ({"OBX_2": "SN", "OBX_5": ">=^1"}, "comparator-not-taken", "'>='"),
    ({"OBX_2": "SN", "OBX_5": "^1e5"}, "number-not-readable", "'1e5'"),
    ({"OBX_5": "1~2"}, "v2-repeated", "2 repetitions"),
    ({"OBX_2": "CWE", "OBX_5": "x"}, "v2-type", "a code does not fit"),
    ({"also": "OBX|2|CWE|130324^^DCM||109137^During voiding^DCM||||||F"}, "cell-not-listed", "'109137'"),
    ({"also": "OBX|2|CWE|130324^^DCM||109134^^DCM||||||F", "OBR_4": "69388-7^^LN"}, "v2-contradiction", "OBR-4"),
    ({"also": obx("wall-thickness", "1", 2, "mm") + "\r" + obx("wall-thickness", "1", 3, "mm")}, "v2-twice", "OBX-5"),
    ({"also": obx("length", "1", 80, "mm").replace("LK-1", "LK-2")}, "v2-contradiction", "two devices"),
    ({"OBR_3": "", "ORC_3": ""}, "field-missing", "exam_number is missing"),
    ({"OBX_18": ""}, "field-missing", "device is missing"),
    ({"OBR_7": ""}, "field-missing", "started_at is missing"),
    ({"OBR_7": "20261118"}, "time-not-readable", "no time of day (segment 5, OBR-7)"),
    ({"OBR_7": "20261332104200"}, "time-not-readable", "is not a date-time"),
    ({"PID_7": "someday"}, "date-not-readable", "(segment 2, PID-7)"),
    ({"OBX_5": ""}, "field-missing", "scans is missing"),
    ({"OBX_3": "1^x^L"}, "v2-nothing-known", "fills a field"),
    ({"OBX_3": ""}, "v2-nothing-known", "fills a field"),
    ({"MSH_9": "ADT^A01"}, "v2-type-not-taken", "ADT^A01"),
    ({"MSH_12": "3.0"}, "v2-version-not-taken", "3.0"),
    ({"MSH_18": "KLINGON"}, "v2-charset", "MSH-18"),
    ({"drop": ("OBR",)}, "v2-nothing-known", "fills a field"),
]


@pytest.mark.parametrize(("changes", "id", "words"), BAD, ids=[f"{i}-{b[1]}" for i, b in enumerate(BAD)])
def test_bad_messages_say_segment_and_field(changes: dict[str, Any], id: str, words: str) -> None:
    item = one(**changes)
    assert item.record is None and item.exit_code == 1 and item.raw == message(**changes)
    errors = [finding for finding in item.findings if finding.severity == "error"]
    assert (errors[0].id, len(errors)) == (id, 1), errors
    assert words in errors[0].message and errors[0].hint
    assert len(errors[0].message) < 300


@pytest.mark.parametrize(
    ("changes", "place"),
    [
        ({"PID_3": "1^^^NOWHERE^MR"}, "PID-3"), ({"PV1_19": "1^^^NOWHERE"}, "PV1-19"), ({"PID_8": "Q"}, "PID-8"),
        ({"OBR_2": "1^NOWHERE"}, "OBR-2"),
    ],
)  # fmt: skip
def test_what_is_left_out_is_warned_of(changes: dict[str, Any], place: str) -> None:
    item = one(**changes)
    assert item.record is not None
    (warning,) = [finding for finding in item.findings if finding.severity == "warn"]
    assert place in warning.message and warning.hint


def test_a_patient_without_identifier_is_kept_without() -> None:
    item = one(PID_3="")
    assert item.record.patient.identifiers is None  # push holds it until a person identifies it


def test_a_file_that_may_be_cut_off_is_warned_of(tmp_path: Any) -> None:
    from fhir_bladder.readers import ReadOptions, read

    path = tmp_path / "x.hl7"
    for end, warned in ((b"", True), (b"\r", False), (b"\r\n", False), (b"\r\x1c\r", False)):
        path.write_bytes(message() + end)
        (item,) = read([path], ReadOptions())
        assert bool(findings(item, "v2-cut-off")) == warned


def test_constants_fill_only_what_the_message_does_not_say() -> None:
    maps = v2_map.parse(
        b'[constants]\n"device.serial" = "C-1"\n"device.model" = "M"\nexam_number = "C"\nlocation = "ward 9"\n'
        b'void_state = { value = "pre-void", confirmed_by = "ward 9" }\nsynthetic = true\n'
        b'[authorities]\nHOSP = "https://records.example/mrn"\n'
    )
    (item,) = read_message(message(), maps)
    assert (item.record.device.serial, item.record.device.model, item.record.exam_number) == ("LK-1", "M", "E-1")
    assert (item.record.location, item.record.void_state, item.record.synthetic) == ("W3 12 2", "pre-void", True)
    (item,) = read_message(message(OBX_18="", OBR_3="", ORC_3="", PV1_3="", OBR_4="69388-7^^LN"), maps)
    assert (item.record.device.serial, item.record.exam_number, item.record.location) == ("C-1", "C", "ward 9")
    assert item.record.void_state == "post-void"
    assert item.map_hash == maps.sha256 != ""


def test_training_messages_are_marked_as_invented() -> None:
    assert one(MSH_11="T").record.synthetic is True
    assert one(MSH_11="P").record.synthetic is None


def test_frames_in_a_file_are_whole(tmp_path: Any) -> None:
    from fhir_bladder.readers import ReadOptions, read

    path = tmp_path / "x.hl7"
    path.write_bytes(b"".join(b"\x0b" + message(OBR_3=f"E-{n}") + b"\r\x1c\r" for n in range(3)))
    items = list(read([path], ReadOptions()))
    assert [item.record.exam_number for item in items if item.record] == ["E-0", "E-1", "E-2"]
    assert not any(findings(item, "v2-cut-off") for item in items)


@pytest.mark.parametrize(
    "keep", ["OBX|2", "OBX|2|NM|scan-volume^^99FHBLAD|2|2", "OBX|2|NM|scan-volume^^99FHBLAD|2|200|mL"]
)
def test_a_message_cut_inside_a_result_is_refused(tmp_path: Any, keep: str) -> None:
    """OBX-11 is required (HL7 v2.3 to 2.8, chapter 7): without it a last segment that no CR ends is not whole."""
    from fhir_bladder.readers import ReadOptions, read

    path = tmp_path / "x.hl7"
    path.write_bytes(message() + b"\r" + keep.encode())
    (item,) = read([path], ReadOptions())
    assert item.record is None and item.raw == path.read_bytes()
    assert "OBX-11" in findings(item, "v2-cut-off")[0]
    path.write_bytes(message()[: message().index(b"OBX")][:-4])
    (item,) = read([path], ReadOptions())
    assert item.record is None and "OBR" in findings(item, "v2-cut-off")[0]


def test_pcd_01_obx_18_of_the_containment_tree_names_the_device() -> None:
    tree = "OBX|0||69965^MDC_DEV_MON_PHYSIO_MULTI_PARAM_MDS^MDC|1.0.0.0|||||||X|||||||SER-9^VENDOR"
    data = message(OBX_18="").replace(b"\rOBX|1|", f"\r{tree}\rOBX|1|".encode())
    (item,) = read_message(data, MAPS)
    assert item.record is not None and item.record.device.serial == "SER-9"
    (item,) = read_message(message().replace(b"\rOBX|1|", f"\r{tree}\rOBX|1|".encode()), MAPS)
    assert item.record is not None and item.record.device.serial == "LK-1"  # the OBX of the value goes first


def test_a_refused_value_is_not_listed_as_left_out() -> None:
    item = one(OBX_5="abc")
    assert item.record is None and not [text for text in findings(item, "v2-not-mapped") if "OBX" in text]


@pytest.mark.parametrize(
    ("changes", "place"),
    [
        ({"also": "OBX|2|SN|wall-thickness^^99FHBLAD|1|<^2.4|mm|||||F"}, "(segment 7, OBX-5)"),
        ({"PID_5": r"Htest\X00\ "}, "(segment 2, PID-5)"),
    ],
)
def test_what_the_record_refuses_is_told_with_its_segment(changes: dict[str, Any], place: str) -> None:
    item = one(**changes)
    assert item.record is None
    (error,) = [finding for finding in item.findings if finding.severity == "error"]
    assert error.message.endswith(place) and error.line == int(place[9])
