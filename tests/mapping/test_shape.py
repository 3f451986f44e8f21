"""The FHIR shape of an exam: slices, words, absent reasons, status, codes.

Source: the project's design, section 3, and the exam record's description; figures of clinical checks where named.
"""

from __future__ import annotations

import copy
import uuid
from collections.abc import Callable
from decimal import Decimal
from typing import Any

import pytest

from fhir_bladder import exam, wire
from fhir_bladder.exam import ExamRecord
from fhir_bladder.mapping import MapOptions, from_fhir, to_fhir
from fhir_bladder.mapping.keys import uuid_of
from fhir_bladder.terminology import names as N
from fhir_bladder.terminology.sites import SiteCodes, parse

POST_VOID = {
    "concept": "volume",
    "when": {"void_state": "post-void"},
    "system": N.LOINC,
    "code": "98856-8",
    "confirmed_by": "test",
}

Make = Callable[..., ExamRecord]
Find = Callable[[dict[str, Any], str], dict[str, Any]]


def mL(value: str | int, **more: str) -> dict[str, Any]:
    return {"value": Decimal(value), "unit": "mL", **more}


def panel(record: ExamRecord, **options: Any) -> dict[str, Any]:
    (observation,) = to_fhir(record, options=MapOptions(**options)).observations
    return observation


def codes(component: dict[str, Any]) -> list[tuple[str, str]]:
    return [(coding["system"], coding["code"]) for coding in component["code"]["coding"]]


def extension(element: dict[str, Any], url: str) -> Any:
    found = [one for one in element.get("extension", ()) if one["url"] == url]
    assert len(found) <= 1
    return next((value for name, value in found[0].items() if name.startswith("value")), found[0]) if found else None


def reason(component: dict[str, Any]) -> tuple[str, str]:
    assert not [name for name in component if name.startswith("value")]
    absent = component["dataAbsentReason"]
    return absent["coding"][0]["code"], absent["text"]


def has(observation: dict[str, Any], code: str) -> bool:
    return any(codes(one)[0] == (N.LOCAL, code) for one in observation["component"])


def test_the_example_has_a_calculated_mass_of_37_7_g(record: Make, component: Find) -> None:
    """0.957 g/mL × 164 cm2 × 0.240 cm = 37.667… g (the example of the record's description)."""
    mass = component(panel(record()), "calculated-mass")
    assert mass["valueQuantity"] == {"value": Decimal("37.7"), "unit": "g", "system": N.UCUM, "code": "g"}
    assert mass["code"]["text"].endswith("calculated, area × thickness × 0.957 g/mL")
    assert extension(mass, N.ORIGIN) == "calculated"
    assert extension(mass, N.MASS_MODEL) == "area-thickness"
    assert extension(mass, N.DENSITY)["value"] == Decimal("0.957")
    assert not has(panel(record(), send_calculated_mass=False), "calculated-mass")


@pytest.mark.parametrize(
    ("volume", "area", "inside"), [(149, 136, False), (150, 137, True), (400, 263, True), (401, 263, False)]
)
def test_wall_values_around_the_ends_of_the_filling_range(
    record: Make, component: Find, volume: int, area: int, inside: bool
) -> None:
    """Range 150 to 400 mL, inclusive; areas are those of spheres of the volumes (clinical facts 1.3), rounded up."""
    wall = {"scan_number": 1, "layer": "whole-wall", "thickness": {"value": Decimal("2.40"), "unit": "mm"}}
    wall["surface_area"] = {"value": Decimal(area), "unit": "cm2"}
    scans = [{"scan_number": 1, "volume": mL(volume)}]
    one = record(scans=scans, reported_scan=1, wall=wall)
    observation = panel(one)
    thickness, mass = component(observation, "wall-thickness"), component(observation, "calculated-mass")
    assert thickness["valueQuantity"]["value"] == Decimal("2.40")
    assert extension(thickness, N.INSIDE_RANGE) is inside
    assert extension(thickness, N.FILLING_VOLUME)["value"] == volume
    words = "volume outside the filling range 150–400 mL"
    assert (words in thickness["code"]["text"]) is not inside
    if inside:
        assert mass["valueQuantity"]["code"] == "g"
    else:
        assert reason(mass) == ("not-performed", words)
    omitted = component(panel(one, filling_range="omit"), "wall-thickness")
    if inside:
        assert omitted == thickness
    else:
        assert reason(omitted) == ("not-permitted", words)
        (back,) = from_fhir([panel(one, filling_range="omit")])
        assert "thickness" not in back["wall"]


def test_children_have_no_filling_range(record: Make, component: Find) -> None:
    patient = {"identifiers": [{"system": "urn:x:mrn", "value": "1"}], "birth_date": "2016-01-01"}
    scans = [{"scan_number": 2, "volume": mL(90)}]
    observation = panel(record(patient=patient, scans=scans), filling_range="omit")
    thickness = component(observation, "wall-thickness")
    assert thickness["valueQuantity"]["value"] == Decimal("2.40")
    assert "no filling range for children" in thickness["code"]["text"]
    assert reason(component(observation, "calculated-mass"))[0] == "not-performed"


def test_loinc_codes_by_default_are_two_and_only_where_they_are_true(record: Make, component: Find) -> None:
    """Issue: 15309-8 only with three diameters, 9187-6 on the voided volume, nothing else on Observations."""
    diameters = {name: {"value": Decimal(70), "unit": "mm"} for name in ("length", "width", "height")}
    diameters |= {"coefficient": Decimal("0.52")}
    plain = panel(record())
    with_diameters = panel(record(diameters=diameters | {"scan_number": 2}))
    other_scan = panel(record(diameters=diameters | {"scan_number": 1}))
    which_is_unsaid = panel(record(diameters=diameters))

    def loinc(observation: dict[str, Any]) -> dict[str, str]:
        assert not [c for c in observation["code"]["coding"] if c["system"] == N.LOINC]
        return {
            codes(one)[0][1]: code
            for one in observation["component"]
            for system, code in codes(one)
            if system == N.LOINC
        }

    assert loinc(plain) == loinc(other_scan) == loinc(which_is_unsaid) == {"voided-volume": "9187-6"}
    assert loinc(with_diameters) == {"voided-volume": "9187-6", "volume": "15309-8"}
    assert extension(component(with_diameters, "length"), N.COEFFICIENT) == Decimal("0.52")


@pytest.mark.parametrize("state", ["pre-void", "unspecified"])
@pytest.mark.parametrize("shape", ["panel", "single"])
def test_without_post_void_nothing_says_residual_or_post_void(record: Make, state: str, shape: str) -> None:
    table = SiteCodes(parse({"code": [POST_VOID]}))
    text = wire.dumps(
        to_fhir(record(void_state=state), options=MapOptions(shape=shape, codes=table, as_="bundles")).bundle
    ).decode()
    for word in ("esidual", "98856-8", "69388-7", "9197-5", "700387001", "109135", "after void", "efficiency"):
        assert word not in text, word
    after = wire.dumps(to_fhir(record(), options=MapOptions(codes=table, as_="bundles", shape=shape)).bundle).decode()
    assert all(word in after for word in ("esidual", "98856-8", "69388-7", "109135", "after void", "efficiency"))


def test_site_codes_are_added_after_ours_and_nothing_is_replaced(record: Make, component: Find) -> None:
    table = SiteCodes(
        parse({"code": [
            POST_VOID,
            {"concept": "wall-thickness", "system": "urn:x:site", "code": "WT", "display": "Wall", "confirmed_by": "t"},
            {"concept": "bladder-ultrasound-exam", "system": "urn:x:site", "code": "BU", "confirmed_by": "t"},
        ]}), "ee" * 32,
    )  # fmt: skip
    observation = panel(record(), codes=table)
    assert codes(component(observation, "volume")) == [(N.LOCAL, "volume"), (N.LOINC, "98856-8")]
    assert codes(component(observation, "scan-volume")) == [(N.LOCAL, "scan-volume")]
    assert codes(component(observation, "wall-thickness"))[1] == ("urn:x:site", "WT")
    assert codes(observation)[1] == ("urn:x:site", "BU")
    none = panel(record(scans=SEVERAL, reported_scan=None, choice_rule=None), codes=table)
    assert codes(component(none, "volume")) == [(N.LOCAL, "volume")], "no residual code where none was chosen"


SEVERAL = [
    {"scan_number": 1, "volume": mL(171), "taken_at": "2026-11-18T10:42:30+00:00"},
    {"scan_number": 2, "volume": mL(186)},
]


@pytest.mark.parametrize("status", ["final", "amended", "corrected", None])
def test_no_scan_chosen_is_at_most_preliminary(record: Make, component: Find, status: str | None) -> None:
    observation = panel(record(scans=SEVERAL, reported_scan=None, choice_rule=None, status=status))
    assert observation["status"] == "preliminary"
    assert extension(observation, N.STATUS_AS_RECEIVED) == (status or "final")
    assert reason(component(observation, "volume")) == ("unknown", "several scans, none chosen")
    assert sum(codes(one)[0][1] == "scan-volume" for one in observation["component"]) == 2
    (back,) = from_fhir([observation])
    assert back["status"] == (status or "final")


@pytest.mark.parametrize("status", ["cancelled", "entered-in-error", "preliminary"])
def test_other_statuses_stay(record: Make, status: str) -> None:
    observation = panel(record(scans=SEVERAL, reported_scan=None, choice_rule=None, status=status))
    assert observation["status"] == status
    assert extension(observation, N.STATUS_AS_RECEIVED) is None


def test_unverified_is_preliminary(record: Make) -> None:
    observation = panel(record(verified=None))
    assert observation["status"] == "preliminary"
    assert "issued" not in observation


@pytest.mark.parametrize(
    ("given", "code", "words"),
    [
        ("not-seen", "unknown", "bladder not seen"),
        ("failed", "error", "scan failed"),
        ("refused", "asked-declined", "scan refused by the patient"),
    ],
)  # fmt: skip
def test_absent_reasons_of_scans(record: Make, component: Find, given: str, code: str, words: str) -> None:
    observation = panel(record(scans=[{"scan_number": 1, "absent_reason": given}], reported_scan=None, wall=None))
    assert reason(component(observation, "volume")) == (code, words)


def test_absent_states(record: Make, component: Find) -> None:
    observation = panel(
        record(void_state="unspecified", void_attempt="unknown", earlier_voids=[{"at": "2026-11-18T09:00Z"}])
    )
    assert reason(component(observation, "void-state"))[0] == "unknown"
    assert reason(component(observation, "void-attempt"))[0] == "unknown"
    assert reason(component(observation, "earlier-void"))[0] == "unknown"


def test_void_state_is_dicom(record: Make, component: Find) -> None:
    """DICOM PS3.16 context group 91: 109134 prior to voiding, 109135 post voiding; 130324 names the concept."""
    for state, code in (("pre-void", "109134"), ("post-void", "109135")):
        part = component(panel(record(void_state=state)), "void-state")
        assert codes(part) == [(N.LOCAL, "void-state"), (N.DICOM, "130324")]
        assert part["valueCodeableConcept"]["coding"][0] == {
            "system": N.DICOM, "code": code, "display": {"109134": "Prior to voiding", "109135": "Post voiding"}[code],
        }  # fmt: skip


def test_repeats_say_that_they_are_not_reported(record: Make, component: Find) -> None:
    repeat = component(panel(record()), "scan-volume")
    assert "Repeat scan 1 of 2, not reported" in repeat["code"]["text"]
    assert [extension(repeat, url) for url in (N.SCAN_NUMBER, N.CENTRING, N.OFF_CENTRE, N.PUBIC_SHADOW)] == [
        1, "partly-centred", "left", True,
    ]  # fmt: skip
    reported = component(panel(record()), "volume")
    assert [extension(reported, url) for url in (N.SCAN_NUMBER, N.CENTRING, N.PUBIC_SHADOW)] == [2, "centred", False]


@pytest.mark.parametrize(
    ("rule", "value"), [("median", "178.5"), ("mean", "178.5"), ("largest", "186"), ("last", "186")]
)
def test_rules(record: Make, component: Find, rule: str, value: str) -> None:
    observation = panel(record(scans=SEVERAL, reported_scan=None, choice_rule=rule))
    volume = component(observation, "volume")
    assert str(volume["valueQuantity"]["value"]) == value
    calculated = rule in ("median", "mean")
    assert extension(volume, N.ORIGIN) == ("calculated" if calculated else "received")
    assert (f"calculated, {rule} of" in volume["code"]["text"]) is calculated
    assert sum(codes(one)[0][1] == "scan-volume" for one in observation["component"]) == (2 if calculated else 1)


def test_comparator_zero_and_units(record: Make, component: Find) -> None:
    scans = [{"scan_number": 1, "volume": mL(1500, comparator=">")}]
    volume = component(panel(record(scans=scans, reported_scan=1, wall=None)), "volume")["valueQuantity"]
    assert (volume["comparator"], volume["value"]) == (">", 1500)
    scans = [{"scan_number": 1, "volume": mL("0.0")}]
    zero = component(panel(record(scans=scans, reported_scan=1, wall=None)), "volume")["valueQuantity"]
    assert str(zero["value"]) == "0.0"
    assert zero["_value"]["extension"] == [{"url": N.PRECISION, "valueInteger": 1}]
    scans = [{"scan_number": 1, "volume": {"value": Decimal("0.1710"), "unit": "L"}}]
    litres = component(panel(record(scans=scans, reported_scan=1, wall=None)), "volume")["valueQuantity"]
    assert (str(litres["value"]), litres["code"]) == ("171.0", "mL")
    assert extension(litres, N.AS_RECEIVED) == "0.1710 L"


def test_detrusor_is_another_quantity_than_the_wall(record: Make, component: Find) -> None:
    wall = {"scan_number": 2, "thickness": {"value": Decimal("2.4"), "unit": "mm"}}
    wall["caliper_thickness"] = {"value": Decimal("2.5"), "unit": "mm"}
    for layer, name in (("whole-wall", "wall"), ("unknown", "wall"), (None, "wall"), ("detrusor", "detrusor")):
        observation = panel(record(wall={**wall, **({"layer": layer} if layer else {})}))
        text = component(observation, f"{name}-thickness")["code"]["text"]
        assert has(observation, f"caliper-{name}-thickness")
        assert ("taken as whole wall" in text) is (layer in (None, "unknown"))
    assert reason(component(observation, "calculated-mass")) == (
        "not-performed", "not calculated from the thickness of the detrusor alone",
    )  # fmt: skip


def test_received_mass_is_kept_beside_ours(record: Make, component: Find, example: dict[str, Any]) -> None:
    observation = panel(record(wall=example["wall"] | {"mass": {"value": Decimal("39.10"), "unit": "g"}}))
    assert str(component(observation, "estimated-mass")["valueQuantity"]["value"]) == "39.10"
    assert component(observation, "calculated-mass")["valueQuantity"]["value"] == Decimal("37.7")


def test_a_scan_counted_beyond_those_that_came_is_named_by_number_alone(record: Make, component: Find) -> None:
    scans = [{"scan_number": n, "volume": {"value": 200, "unit": "mL"}} for n in (1, 3)]
    observation = panel(record(scans=scans, reported_scan=3, choice_rule=None, wall=None))
    text = component(observation, "volume")["code"]["text"]
    assert text.endswith(", scan 3")
    assert "scan 1 of 2," in component(observation, "scan-volume")["code"]["text"]


def test_time_as_received(record: Make) -> None:
    observation = panel(record(started_at="2026-11-18 10:42+0100"))
    assert observation["effectiveDateTime"] == "2026-11-18T10:42:00+01:00"
    assert extension(observation["_effectiveDateTime"], N.AS_RECEIVED) == "2026-11-18 10:42+0100"


def test_patient_without_identifier_is_absent(record: Make) -> None:
    bundle = to_fhir(record(patient={"birth_date": "1951"}), options=MapOptions(as_="bundles")).bundle
    kinds = [entry["resource"]["resourceType"] for entry in bundle["entry"]]
    assert "Patient" not in kinds
    subject = bundle["entry"][1]["resource"]["subject"]
    assert extension(subject, N.ABSENT_EXTENSION) == "unknown"
    assert "reference" not in subject
    assert "identifier" not in subject


@pytest.mark.parametrize("shape", ["panel", "single"])
def test_bundle_is_conditional_closed_and_the_same_each_time(record: Make, shape: str) -> None:
    one = record(encounter={"system": "urn:x:visit", "value": "a|b,c$d\\e%2F é"})
    options = MapOptions(as_="bundles", shape=shape)
    bundle = to_fhir(one, options=options, source_sha256="ab" * 32, map_sha256="cd" * 32).bundle
    again = to_fhir(one, options=options, source_sha256="ab" * 32, map_sha256="cd" * 32).bundle
    assert wire.dumps(bundle) == wire.dumps(again), "a re-send must add no version"
    urls = [entry["fullUrl"] for entry in bundle["entry"]]
    assert len(set(urls)) == len(urls)
    assert set(_references(bundle)) <= set(urls)
    for entry in bundle["entry"]:
        assert uuid.UUID(entry["fullUrl"].removeprefix("urn:uuid:")).version == 5
        if entry["resource"]["resourceType"] == "Provenance":
            assert entry["request"] == {"method": "PUT", "url": f"Provenance/{entry['resource']['id']}"}
        else:
            assert entry["request"]["method"] == "POST"
            assert entry["request"]["ifNoneExist"].startswith("identifier=http")
    kinds = [entry["resource"]["resourceType"] for entry in bundle["entry"]]
    assert (kinds[:2], kinds[-2:]) == (["Device", "Patient"], ["DiagnosticReport", "Provenance"])
    assert set(kinds[2:-2]) == {"Observation"}
    assert all(
        {"system": N.ACT_REASON, "code": "HTEST", "display": "test health data"}
        in entry["resource"]["meta"]["security"]
        for entry in bundle["entry"]
    )


def _references(value: Any) -> list[str]:
    if isinstance(value, dict):
        own = [value["reference"]] if isinstance(value.get("reference"), str) else []
        return own + [one for item in value.values() for one in _references(item)]
    return [one for item in value for one in _references(item)] if isinstance(value, list) else []


def test_report_and_provenance(record: Make) -> None:
    """LOINC 25019-1, after a void 69388-7 (certainty A as document codes); hashes and agents in the Provenance."""
    after = to_fhir(record(), options=MapOptions(as_="bundles"), source_sha256="ab" * 32, map_sha256="cd" * 32)
    before = to_fhir(record(void_state="pre-void"), options=MapOptions(as_="bundles"))
    report, provenance = (entry["resource"] for entry in after.bundle["entry"][-2:])
    assert codes(report) == [(N.LOINC, "69388-7")]
    assert codes(before.bundle["entry"][-2]["resource"]) == [(N.LOINC, "25019-1")]
    assert report["conclusion"] == after.line
    assert "Residual 186 mL, 7 min after a void of 260 mL, 18 Nov 2026 10:42, scan 2 of 2, centred" in after.line
    assert [agent["who"]["display"].split()[0] for agent in provenance["agent"]] == ["operator", "fhir-bladder"]
    assert [entity["what"]["identifier"]["value"] for entity in provenance["entity"]] == ["ab" * 32, "cd" * 32]
    assert "model area-thickness, density 0.957 g/mL; filling range 150–400 mL" in provenance["activity"]["text"]
    assert provenance["recorded"] == "2026-11-18T10:44:00+00:00"
    assert {target["reference"] for target in provenance["target"]} == {
        after.bundle["entry"][2]["fullUrl"], after.bundle["entry"][3]["fullUrl"],
    }  # fmt: skip


def test_hostile_text_is_escaped_in_the_narrative(record: Make) -> None:
    evil = "<script>alert('x')</script> & \u202e \x85 ]]>"
    mapped = to_fhir(record(verified={"by": evil, "at": "2026-11-18T10:44:00Z"}), options=MapOptions(as_="bundles"))
    for entry in mapped.bundle["entry"]:
        div = entry["resource"].get("text", {}).get("div", "")
        assert "<script" not in div
        assert "\u202e" not in div
        if div:
            import xml.etree.ElementTree as ET

            assert "alert" in "".join(ET.fromstring(div).itertext())


def test_uuid_equals_the_standard_library() -> None:
    for name in ("", "a", "Patient?identifier=urn:x|é"):
        assert uuid_of(name) == str(uuid.uuid5(uuid.NAMESPACE_URL, name))


def test_supersedes_and_revision(record: Make) -> None:
    observation = panel(record(supersedes="2026/00416", exam_number="2026/00417"), revision=2)
    assert observation["identifier"][0]["value"] == "LK-0093/2026%2F00417/r2"
    assert extension(observation, N.REPLACES)["identifier"]["value"] == "LK-0093/2026%2F00416"
    (back,) = from_fhir([observation])
    assert (back["exam_number"], back["supersedes"]) == ("2026/00417", "2026/00416")


def test_single_shape_keys(record: Make) -> None:
    one = record(earlier_voids=[{"at": "2026-11-18T08:00:00Z"}, {"at": "2026-11-18T07:00:00Z"}])
    group, *parts = to_fhir(one, options=MapOptions(shape="single")).observations
    keys = [part["identifier"][0]["value"].removeprefix("LK-0093/2026-00417/") for part in parts]
    assert {"volume", "scan-volume/1", "wall-thickness", "surface-area", "calculated-mass", "voided-volume",
            "earlier-void/1", "earlier-void/2", "voiding-efficiency"} == set(keys)  # fmt: skip
    assert [member["identifier"] for member in group["hasMember"]] == [part["identifier"][0] for part in parts]
    for part in parts:
        assert ("valueQuantity" in part) != ("dataAbsentReason" in part)
        assert {"status", "subject", "effectiveDateTime", "device", "issued", "bodySite", "category"} <= set(part)


def test_mapping_changes_nothing_it_shares(record: Make) -> None:
    """Parts are shared between exams for speed: mapping one must not alter another."""
    first = to_fhir(record(), options=OPTIONS)
    before = copy.deepcopy(first.bundle)
    to_fhir(
        record(exam_number="2", void_state="pre-void", synthetic=False, scans=SEVERAL, reported_scan=1), options=OPTIONS
    )
    assert first.bundle == before


OPTIONS = MapOptions(as_="bundles")


def test_notes(record: Make) -> None:
    clear = [s | {"centring": "centred", "pubic_shadow": False} for s in SEVERAL]
    observation = panel(record(scans=clear, reported_scan=None, choice_rule=None))
    assert [note.get("authorString") for note in observation["note"]] == ["operator 12", "fhir-bladder"]
    assert "no scan was stated as the result" in observation["note"][1]["text"]
    without = panel(
        record(scans=clear, reported_scan=None, choice_rule=None, verified={"by": "x", "at": "2026-11-18T10:44:00Z"})
    )
    (back,) = from_fhir([without])
    assert "note" not in exam.dump(exam.load(back))["verified"]


def test_an_identifier_type_is_a_code_only_where_the_table_has_it(record: Make) -> None:
    """HL7 table 0203: MR is a code of it, a ward's own words are not, nor is a code it does not hold."""
    identifiers = [
        {"system": "urn:x:a", "value": str(n), "type": kind} for n, kind in enumerate(["MR", "ward list", "ZZ"])
    ]
    bundle = to_fhir(record(patient={"identifiers": identifiers}), options=MapOptions(as_="bundles")).bundle
    types = [one["type"] for one in bundle["entry"][1]["resource"]["identifier"]]
    assert [one["text"] for one in types] == ["MR", "ward list", "ZZ"]
    assert types[0]["coding"] == [{"system": N.IDENTIFIER_TYPE, "code": "MR"}]
    assert "coding" not in types[1]
    assert "coding" not in types[2]
