"""The report: what each screen says, hostile text, file mode, one file a patient, the text line."""

# ruff: noqa: E501 - a case a line
from __future__ import annotations

import datetime as dt
import html
import os
import re
import stat
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from fhir_bladder import wire
from fhir_bladder.analysis.report import content, display, gather, plots, report, text
from fhir_bladder.errors import ConfigError
from fhir_bladder.measurement.rulebook import switch_on

Json = dict[str, Any]
NOW = dt.datetime(2026, 3, 20, 12, 0, tzinfo=dt.UTC)


def made(records: list[Any], ndjson: Any, **more: Any) -> Any:
    return gather([ndjson(records)], now=NOW, **more)


class _Page(HTMLParser):
    """Tags, attributes and text of a page, script and style apart."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []
        self.raw = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))
        self.raw = tag if tag in ("script", "style") else ""

    def handle_data(self, data: str) -> None:
        if not self.raw:
            self.text.append(data)

    @property
    def words(self) -> str:
        return re.sub(r"\s+", " ", "".join(self.text))


def read(path: Path) -> _Page:
    return _Page(path.read_text("utf-8"))


def test_the_sentence_of_the_design(record: Any, ndjson: Any, bundle: Any, stored: Any) -> None:
    """Design section 7: Residual 186 mL, 7 min after a void of 260 mL, …, scan 2 of 2, centred, verified, in the record."""
    resources = [stored(e["resource"], f"r{n}") for n, e in enumerate(bundle(record())["entry"])]
    [exam] = made(resources, ndjson).exams
    line = text.sentence(exam)
    assert line.startswith("Residual 186 mL, 7 min after a void of 260 mL, 18 Mar 2026 10:42, scan 2 of 2, centred")
    assert line.endswith(", verified by operator 12, in the record")


def test_from_a_record_nothing_is_said_of_the_record_system(record: Any, ndjson: Any) -> None:
    [exam] = made([record()], ndjson).exams
    assert "in the record" not in text.sentence(exam)
    held = {
        "key": "HT-0093/2026-00417",
        "state": "held",
        "reason": "no such patient",
        "held_since": "2026-03-19T12:00:00Z",
    }
    receipts = ndjson([held], "receipts.ndjson")
    material = made([record()], ndjson, receipt_paths=[receipts])
    assert text.sentence(material.exams[0]).endswith("not in the record")


def test_the_text_line_has_value_method_time_and_caution(record: Any, ndjson: Any) -> None:
    scans = [{"scan_number": 1, "volume": {"value": 1200, "unit": "mL"}}]
    [line] = text.lines(made([record(scans=scans, reported_scan=1, wall=None, verified=None)], ndjson))
    assert line.startswith("Residual 1200 mL, 7 min after a void of 260 mL")
    assert "; by ultrasound; caution: preliminary; " in line
    assert line.endswith("a very large volume")


def test_the_text_line_stays_one_line(record: Any, ndjson: Any) -> None:
    [line] = text.lines(made([record(verified={"by": "a\nb\u2028c\r\nd", "at": "2026-03-18T10:44:00+01:00"})], ndjson))
    assert len(line.splitlines()) == 1


def test_the_text_line_hides_nothing(record: Any, ndjson: Any) -> None:
    """A letter shows a direction override as its name, so that what follows cannot be read backwards."""
    hostile = {"by": "a\u202eb\u2066c", "at": "2026-03-18T10:44:00+01:00"}
    [line] = text.lines(made([record(verified=hostile)], ndjson))
    assert "verified by a⟨RIGHT-TO-LEFT OVERRIDE⟩b⟨LEFT-TO-RIGHT ISOLATE⟩c" in line


def test_what_waits_has_an_owner(record: Any, ndjson: Any) -> None:
    """Ward, else operator, else device; of what only a receipt tells, the device in its key."""
    operator = {"identifier": {"system": "urn:x", "value": "12"}}
    records = [
        record(exam_number="1", verified=None),
        record(exam_number="2", verified=None, location=None, operator=operator),
        record(exam_number="3", verified=None, location=None),
        record(exam_number="4"),
    ]
    held = [{"key": key, "state": "held"} for key in ("HT-0093/4", "HT%2F7/9", "no key")]
    page = content.page(made(records, ndjson, receipt_paths=[ndjson(held, "r.ndjson")]))
    assert {need.exam: need.owner for need in page.needs} == {
        "1": "Ward H", "2": "operator 12", "3": "device HT-0093",
        "HT-0093/4": "Ward H", "HT%2F7/9": "device HT/7", "no key": "",
    }  # fmt: skip


def test_methods_are_compared_within_patients(record: Any, ndjson: Any, tmp_path: Path) -> None:
    """Repeats, callipers and catheters, by the formulas written out beside each check."""
    scans = [(100, 110), (200, 200), (300, 330), (400, 400)]
    records = []
    for number, (one, two) in enumerate(scans):
        repeats = [{"scan_number": n, "volume": {"value": v, "unit": "mL"}} for n, v in ((1, one), (2, two))]
        wall = {"scan_number": 1, "layer": "whole-wall", "thickness": {"value": wire.loads(b"2.5"), "unit": "mm"},
                "caliper_thickness": {"value": wire.loads(b"%.1f" % (2.4 - number / 10)), "unit": "mm"}}  # fmt: skip
        records.append(
            record(exam_number=str(number), scans=repeats, reported_scan=1, wall=wall,
                   patient={"identifiers": [{"system": "urn:x", "value": f"H{min(number, 2)}"}]},
                   catheterised_volume={"value": one - 10 * number, "unit": "mL"},
                   catheterised_at=f"2026-03-18T10:4{number + 4}:00+01:00" if number < 3 else None)
        )  # fmt: skip
    material = made(records, ndjson)
    found = {one.title: one for one in content.page(material).comparisons}
    # Sw = √(Σd²/2n) = √((100 + 900)/8) = 11.18; coefficient 1.96·√2·Sw = 30.99
    words = found["Repeats of one exam"].words
    assert "(SD) 11.2 mL" in words and "at most 31 mL" in words and "8 scans of 4 of 4 exams" in words
    # differences 0.1, 0.2 and of one patient 0.3, 0.4: bias of the means 0.1, 0.2, 0.35 = 0.2167
    caliper = found["Automatic against caliper thickness, whole wall"]
    assert caliper.words.startswith("Bias (automatic − caliper) +0.22 mm")
    assert "4 pairs of 3 patients" in caliper.words
    assert caliper.rows[1] == ("1", "2.5", "2.3", "+0.2", "200")
    # differences 0, 10, 20: bias 10, SD 10, limits 10 ∓ 19.6; the fourth has no time of drainage
    catheter = found["Scan against catheter"]
    assert "Bias (scan − catheter) +10 mL" in catheter.words
    assert re.search(r"agreement -10 \(.*\) to \+30 mL", catheter.words)
    assert "Drained 2 to 4 min after the scan" in catheter.words
    assert "Left out, 1: the time of drainage is unknown or before the scan." in catheter.words
    assert len(catheter.rows) == 4
    report(material, tmp_path / "r.html")
    assert "Automatic against caliper thickness, whole wall" in read(tmp_path / "r.html").words


def test_exams_that_belong_together_are_linked_or_listed(record: Any, ndjson: Any, tmp_path: Path) -> None:
    """One pre-void exam before a post-void one is a pair; with two, neither is taken and both are named."""
    nothing = {"void_attempt": None, "voided_at": None, "voided_volume": None, "void_measured": None, "wall": None}
    scan = [{"scan_number": 1, "volume": {"value": 450, "unit": "mL"}}]
    before = {**nothing, "void_state": "pre-void", "scans": scan, "reported_scan": 1}
    other = {"identifiers": [{"system": "urn:x", "value": "H8"}]}
    removed = {"catheter_removed_at": "2026-03-18T08:00:00+01:00"}
    records = [
        record(exam_number="1", started_at="2026-03-18T10:30:00+01:00", **before),
        record(exam_number="2", **removed),
        record(exam_number="3", started_at="2026-03-18T10:20:00+01:00", patient=other, **before),
        record(exam_number="4", started_at="2026-03-18T10:30:00+01:00", patient=other, **before),
        record(exam_number="5", patient=other),
    ]
    rules = switch_on('[[use]]\nrule = "trial-150"\nconfirmed_by = "test"')
    material = made(records, ndjson, rules=rules)
    pairs, trial = content.page(material).comparisons[:2]
    # 450 − 186 = 264 by the scans, 260 measured: balance 4; 12 minutes between
    assert pairs.rows == [("HT-0093/1", "HT-0093/2", "450", "260, measured", "186", "+4", "12")]
    assert "1 of 2 (50 %) exams after a void have one exam before it" in pairs.words
    assert "HT-0093/5: 2 pre-void exams could belong to it (HT-0093/3, HT-0093/4)" in pairs.words
    assert trial.title == "Trials by rule trial-150"
    assert [row[4:] for row in trial.rows] == [("failed", "186 mL left, above 150 mL")]
    report(material, tmp_path / "r.html")
    assert "2 pre-void exams could belong to it" in read(tmp_path / "r.html").words
    assert not [one for one in content.page(made(records, ndjson)).comparisons if "Trials" in one.title]


def test_too_few_to_compare_says_so(record: Any, ndjson: Any) -> None:
    found = content.page(made([record(catheterised_volume={"value": 170, "unit": "mL"})], ndjson)).comparisons
    assert [one.title for one in found] == ["Repeats of one exam", "Scan against catheter"]
    assert all("too few" in one.words.lower() for one in found)


def test_a_calibration_to_come_is_no_calibration(record: Any, ndjson: Any) -> None:
    device = {"serial": "HT-1", "calibrated_on": "2026-05-01"}
    [row] = content.page(made([record(device=device)], ndjson)).calibration
    assert row[2] == "in the future: check the date"


def test_needs_a_person_longest_first(record: Any, ndjson: Any) -> None:
    records = [
        record(exam_number="1", verified=None, started_at="2026-03-18T10:42:00+01:00"),
        record(exam_number="2", verified=None, started_at="2026-03-17T10:42:00+01:00", voided_at=None),
        record(exam_number="3", voided_at="2026-03-18T11:00:00+01:00"),  # void after the post-void scan: blocks
        record(exam_number="4", device=None),
    ]
    receipts = ndjson(
        [{"key": "HT-0093/9", "state": "held", "reason": "two match", "held_since": "2026-03-19T11:00:00Z"}], "r.ndjson"
    )
    material = made(records, ndjson, receipt_paths=[receipts])
    page = content.page(material)
    assert [(n.kind, n.exam) for n in page.needs] == [
        ("held", "HT-0093/9"), ("stops", "3"), ("refused", "in.ndjson line 4"), ("unverified", "2"), ("unverified", "1"),
    ]  # fmt: skip
    held = page.needs[0]
    assert (held.age, held.since) == ("25 h", "19 Mar 2026 11:00 +00:00")


def test_counts_have_denominators(record: Any, ndjson: Any) -> None:
    records = [
        record(exam_number="1"),
        record(exam_number="2", voided_at="2026-03-18T10:20:00+01:00"),  # 22 min
        record(exam_number="3", voided_at=None, void_attempt="unable", voided_volume=None, void_measured=None),
        record(
            exam_number="4",
            void_state="pre-void",
            voided_at=None,
            void_attempt=None,
            voided_volume=None,
            void_measured=None,
        ),
    ]
    found = {c.label: c.text for c in content.page(made(records, ndjson)).counts}
    assert found["verified"] == "4 of 4 (100 %)"
    assert found["residuals (after a void)"] == "3 of 4 (75 %)"
    assert found["residuals with the time of the void"] == "2 of 3 (67 %)"
    assert found["of these, scanned within 10 minutes"] == "1 of 2 (50 %)"


def test_the_flow_goes_down_step_by_step(record: Any, ndjson: Any) -> None:
    records = [
        record(exam_number="1"),
        record(exam_number="2", verified=None),
        record(exam_number="3", status="entered-in-error"),
        record(exam_number="4", voided_at="2026-03-18T11:00:00+01:00"),
        record(exam_number="5", scans=[]),
        record(exam_number="1"),
    ]
    receipts = ndjson(
        [{"key": "HT-0093/1", "state": "delivered", "delivered_at": "2026-03-18T11:42:00+01:00"}], "r.ndjson"
    )
    material = made(records, ndjson, receipt_paths=[receipts])
    steps = content.page(material, lambda exam: True).flow
    assert steps == [
        ("taken", 5),
        ("readable", 4),
        ("not retracted", 3),
        ("verified", 2),
        ("nothing stops it", 1),
        ("valid FHIR", 1),
        ("delivered", 1),
    ]
    assert material.older == 1
    assert "median 60 min" in {c.text for c in content.page(material).counts}


def test_a_length_of_time_is_told_in_a_unit_that_people_grasp() -> None:
    told = {0.4: "0 min", 95: "95 min", 180: "3.0 h", 450: "7.5 h", 2880: "2 days", 382224: "265 days"}
    assert {minutes: display.span(minutes) for minutes in told} == told


HOSTILE = [
    "<script>alert(1)</script>", "</script><script>alert(2)</script>", "<img src=x onerror=alert(3)>", "\" onmouseover=\"alert(4)",
    "'><svg onload=alert(5)>", "{{ 7*7 }}{% raw %}", "&lt;b&gt;&amp;", "javascript:alert(6)", "\u202edrowssap\u202c end",
    "\u2066isolate\u2069", "\u200fmark\u200b", "😀👩🏽‍⚕️", "x" * 10_000, "a\u0000b\u0007c", "]]>--><!--", "\u2028\u2029", "\ufeffbom",
]  # fmt: skip


@pytest.mark.parametrize("hostile", HOSTILE, ids=range(len(HOSTILE)))
def test_hostile_text_shows_as_text(hostile: str, record: Any, ndjson: Any, tmp_path: Path) -> None:
    data = record(
        exam_number=hostile[:200],
        device={"serial": hostile[:200], "software_version": hostile, "manufacturer": hostile, "model": hostile},
        patient={"identifiers": [{"system": hostile, "value": hostile, "type": hostile}], "birth_date": "1951-03-09",
                 "family_name": hostile, "given_names": [hostile]},
        order={"system": hostile, "value": hostile}, encounter={"system": hostile, "value": hostile},
        episode={"system": hostile, "value": hostile}, reason=hostile, location=hostile,
        operator={"identifier": {"system": hostile, "value": hostile}, "display": hostile},
        verified={"by": hostile, "at": "2026-03-18T10:44:00+01:00", "note": hostile},
        action={"what": "escalated", "note": hostile},
    )  # fmt: skip
    material = made(
        [data, record()],
        ndjson,
        receipt_paths=[ndjson([{"key": hostile, "state": "held", "reason": hostile}], "r.ndjson")],
    )
    if not material.refused:
        assert len(material.exams) == 2
    report(material, tmp_path / "r.html")
    source = (tmp_path / "r.html").read_text("utf-8")
    page = _Page(source)
    assert [tag for tag, _ in page.tags].count("script") == 1
    assert not {"img", "iframe", "object", "embed", "link", "base", "form"} & {tag for tag, _ in page.tags}
    for tag, attributes in page.tags:
        assert not [name for name in attributes if name.startswith("on")], (tag, attributes)
        assert not str(attributes.get("href") or "#").startswith(("javascript:", "http")), attributes
    assert not re.search("[\u202a-\u202e\u2066-\u2069\u200e\u200f\u200b\u061c\ufeff\u0000-\u0008]", source)
    if material.exams and len(hostile) < 300:
        assert re.sub(r"\s+", " ", display.visible(hostile)).strip() in page.words


def test_hidden_characters_are_named() -> None:
    assert display.visible("a\u202eb") == "a⟨RIGHT-TO-LEFT OVERRIDE⟩b"
    assert display.visible("a\u0007b") == "a⟨U+0007⟩b"
    assert display.visible("👩🏽‍⚕️") == "👩🏽‍⚕️"


def test_the_page_asks_nothing_of_any_network(record: Any, ndjson: Any, tmp_path: Path) -> None:
    report(made([record()], ndjson), tmp_path / "r.html")
    source = (tmp_path / "r.html").read_text("utf-8")
    [policy] = [a["content"] for t, a in _Page(source).tags if a.get("http-equiv") == "Content-Security-Policy"]
    assert policy is not None
    assert policy.startswith("default-src 'none'; style-src 'sha256-")
    assert "unsafe" not in policy
    assert not re.findall(r"""(?:src|href|url\()\s*=?\s*["']?(?:https?:)?//""", source)


@pytest.mark.parametrize(
    ("marks", "banner"),
    [
        ([True, True], "INVENTED DATA – no real patient"),
        ([True, None], "INVENTED DATA among identifiable"),
        ([None, None], "Identifiable data"),
    ],
)
def test_the_banner_says_whose_data(
    marks: list[bool | None], banner: str, record: Any, ndjson: Any, tmp_path: Path
) -> None:
    report(made([record(exam_number=str(n), synthetic=m) for n, m in enumerate(marks)], ndjson), tmp_path / "r.html")
    assert banner in read(tmp_path / "r.html").words


def test_only_the_owner_can_read_it(record: Any, ndjson: Any, tmp_path: Path) -> None:
    target = tmp_path / "r.html"
    target.write_text("old")
    target.chmod(0o644)
    old = os.umask(0)
    try:
        report(made([record()], ndjson), target)
        report(made([record()], ndjson), tmp_path / "each", one_file_per_patient=True)
    finally:
        os.umask(old)
    files = [target, *(tmp_path / "each").iterdir()]
    assert len(files) == 3
    assert {stat.S_IMODE(f.stat().st_mode) for f in files} == {0o600}
    assert stat.S_IMODE((tmp_path / "each").stat().st_mode) == 0o700


def test_one_file_a_patient_holds_one_patient(record: Any, ndjson: Any, tmp_path: Path) -> None:
    other = {"identifiers": [{"system": "https://ward-h.example/mrn", "value": "H999-999"}], "birth_date": "1944-04-04"}
    records = [record(exam_number="1", verified=None), record(exam_number="2", patient=other)]
    report(made(records, ndjson), tmp_path / "each", one_file_per_patient=True)
    pages = {p.name: p.read_text("utf-8") for p in (tmp_path / "each").iterdir()}
    assert sorted(pages) == ["index.html", "patient-0001.html", "patient-0002.html"]
    assert "H700-431" in pages["patient-0001.html"]
    assert "H999-999" not in pages["patient-0001.html"]
    assert "H700-431" not in pages["patient-0002.html"]
    assert "H700-431" not in pages["index.html"]
    assert "Htest-Seven" not in pages["index.html"]


def test_two_identifiers_or_a_warning(record: Any, ndjson: Any, tmp_path: Path) -> None:
    one = {"identifiers": [{"system": "https://ward-h.example/mrn", "value": "H1"}]}
    report(
        made([record(exam_number="1", patient=one), record(exam_number="2", patient=None)], ndjson), tmp_path / "r.html"
    )
    words = read(tmp_path / "r.html").words
    assert "only one identifier: check who this is" in words
    assert "no identifier: a person must identify this patient" in words


def test_a_threshold_is_drawn_only_where_a_rule_is_on(record: Any, ndjson: Any, tmp_path: Path) -> None:
    own = """
[[rule]]
id = "own"
version = "1"
title = "Own limit"
prompt = "look again"
citation = "site protocol of ward H, invented for this test"
certainty = "site"
population = "adults"
technique = "any"
units = "mL"
above = 100
void_state = "post-void"
[[use]]
rule = "own"
"""
    report(made([record()], ndjson), tmp_path / "off.html")
    assert 'class="limit"' not in (tmp_path / "off.html").read_text()
    material = made([record()], ndjson, rules=switch_on(own))
    report(material, tmp_path / "on.html")
    page = (tmp_path / "on.html").read_text()
    assert page.count('class="limit"') == 1
    assert "site protocol of ward H" in html.unescape(page)
    assert [p.id for _, p in content.page(material).patients[0].prompts] == ["own"]


def test_thickness_at_a_filling_is_shown_only_where_asked_and_as_a_model(
    record: Any, ndjson: Any, tmp_path: Path
) -> None:
    """2.0 mm at 300 mL is 2.2383 mm at 250 mL, 3.0 at 200 is 2.6248: clinical facts F5, CALC (clinical_checks.json)."""

    def wall(number: str, volume: int, **of: Any) -> Json:
        scan = [{"scan_number": 1, "volume": {"value": volume, "unit": "mL"}}]
        return record(exam_number=number, scans=scan, reported_scan=1, wall={"scan_number": 1, **of})

    records = [
        wall("1", 300, thickness={"value": 2, "unit": "mm"}, layer="whole-wall"),
        wall("2", 200, caliper_thickness={"value": wire.loads(b"0.30"), "unit": "cm"}),
        wall("3", 80, thickness={"value": 3, "unit": "mm"}, layer="whole-wall"),
        wall("4", 300, thickness={"value": 2, "unit": "mm"}, layer="detrusor"),
        wall("5", 300, surface_area={"value": 240, "unit": "cm2"}),
        record(exam_number="6", wall=None),
    ]
    material = made(records, ndjson)
    report(material, tmp_path / "without.html")
    assert "by a model" not in (tmp_path / "without.html").read_text("utf-8")
    page = content.page(material, at_filling=250)
    [found] = [one for one in page.comparisons if "model" in one.title]
    assert found.title == "Wall thickness at 250 mL, by a model"
    assert found.rows[:2] == [("HT-0093/1", "2", "300", "2.2", ""),
                              ("HT-0093/2", "3", "200", "2.6", "thickness by caliper; layer not stated, taken as whole wall")]  # fmt: skip
    assert found.rows[2][:3] == ("HT-0093/3", "3", "80")
    assert found.rows[2][4] == "volume outside the filling range 150–400 mL"
    assert found.words == (
        "3 of 5 exams with a wall. Left out, 1: no wall thickness was received. "
        "Left out, 1: the thickness is of the detrusor alone."
    )
    assert "not a measurement: it assumes that the wall keeps its volume" in found.remark
    assert "Hakenberg 2000" in found.remark
    report(material, tmp_path / "with.html", at_filling=250)
    words = read(tmp_path / "with.html").words
    assert words.count("Wall thickness at 250 mL, by a model") == 2  # of the patient, of all
    assert words.count("A model's output, not a measurement") == 2
    cells = "".join(f"<td>{cell}</td>" for cell in ("18 Mar 2026 10:42 +01:00", "2", "300", "2.2", ""))
    assert cells in (tmp_path / "with.html").read_text("utf-8")
    written = report(material, tmp_path / "folder", one_file_per_patient=True, at_filling=250)
    assert "A model's output, not a measurement" in read(written[1]).words
    assert [
        one for one in content.page(made(records[5:], ndjson), at_filling=250).comparisons if "model" in one.title
    ] == []


def test_models_of_weight_are_never_in_one_plot(record: Any, ndjson: Any) -> None:
    wall = record()["wall"]
    sphere = {k: v for k, v in wall.items() if k != "surface_area"}
    records = [
        record(
            exam_number=str(n),
            started_at=f"2026-03-{10 + n}T10:42:00+01:00",
            voided_at=None,
            wall=sphere if n % 2 else wall,
        )
        for n in range(4)
    ]
    [patient] = content.page(made(records, ndjson)).patients
    assert patient.mass_plot.count("<svg") == 2
    assert patient.mass_plot.count("<circle") == 4
    assert {model for _, model, _ in patient.mass_rows} == {"calculated, area × thickness", "calculated, sphere shell"}


def dot(hour: int, value: float | None, **more: Any) -> plots.Dot:
    base = {"low": value or 0.0, "high": value or 0.0, "state": "post-void", "hollow": False, "comparator": "", "episode": "",
            "number": hour, "label": "l"}  # fmt: skip
    base.update(more)
    return plots.Dot(NOW + dt.timedelta(hours=hour), value, **base)


def test_the_plot_uses_shape_not_colour_alone() -> None:
    drawn = plots.course(
        [dot(0, 100.0), dot(1, 400.0, state="pre-void"), dot(2, 50.0, state="unspecified"), dot(3, None),
         dot(4, 999.0, comparator=">"), dot(5, 120.0, hollow=True), dot(6, 80.0, low=60.0, high=95.0)],
        "mL", "t", "i",
    )  # fmt: skip
    assert (drawn.count("<circle"), drawn.count("<rect"), drawn.count('class="shape"')) == (4, 1, 1)
    assert (drawn.count('class="absent"'), drawn.count('class="arrow"'), drawn.count('class="whisker"')) == (1, 1, 1)
    assert drawn.count("hollow") == 1
    assert 'class="join"' not in drawn


def test_dots_are_joined_only_within_an_episode() -> None:
    drawn = plots.course(
        [dot(0, 100.0, episode="a"), dot(1, 90.0, episode="a"), dot(2, 80.0, episode="b"), dot(3, 70.0)], "mL", "t", "i"
    )
    [points] = re.findall(r'class="join" points="([^"]*)"', drawn)
    assert len(points.split()) == 2


@pytest.mark.parametrize("largest", [0.2, 1, 7, 33, 99, 100, 186, 640, 999, 4999])
def test_the_axis_starts_at_zero_and_holds_everything(largest: float) -> None:
    top, step = plots.axis_top([largest])
    assert top >= largest
    assert 2 <= round(top / step) <= 9
    assert abs(top / step - round(top / step)) < 1e-9


def test_time_is_real_on_the_axis() -> None:
    drawn = plots.course([dot(0, 1.0), dot(1, 1.0), dot(10, 1.0)], "mL", "t", "i")
    xs = [float(x) for x in re.findall(r'<circle cx="([\d.]+)"', drawn)]
    # the second gap is nine times the first, within the rounding of a tenth of a unit
    assert (xs[2] - xs[1]) / (xs[1] - xs[0]) == pytest.approx(9, rel=0.01)


def test_what_cannot_be_read_is_told(record: Any, ndjson: Any, tmp_path: Path) -> None:
    whole = wire.dumps(record())
    material = gather([ndjson([whole, whole[:50], b"[]", b"3", b'{"x":1}']), tmp_path / "missing.ndjson"], now=NOW)
    assert len(material.exams) == 1
    assert [r.line for r in material.refused] == [2, 4, 5]
    assert material.errors[0].exit_code == 3
    with pytest.raises(ConfigError, match="cannot write"):
        report(material, tmp_path / "no" / "such" / "folder.html")


def test_two_thousand_exams_make_a_page_of_reasonable_size(record: Any, ndjson: Any, tmp_path: Path) -> None:
    records = [
        record(
            exam_number=str(n),
            started_at=(NOW - dt.timedelta(hours=n)).isoformat(),
            voided_at=None,
            patient={
                "identifiers": [{"system": "https://ward-h.example/mrn", "value": f"H{n % 400}"}],
                "birth_date": "1951-03-09",
            },
        )
        for n in range(2000)
    ]
    report(made(records, ndjson), tmp_path / "r.html")
    assert (tmp_path / "r.html").stat().st_size < 8_000_000
