"""Pseudonyms: nothing original is left in any file, what belongs together stays together, later exports join."""

# ruff: noqa: E501 - a case a line
from __future__ import annotations

import datetime as dt
import re
from pathlib import Path
from typing import Any

import pytest

from fhir_bladder import wire
from fhir_bladder.analysis.pseudonyms import Pseudonyms, read_secret
from fhir_bladder.analysis.tables import table
from fhir_bladder.errors import ConfigError

Json = dict[str, Any]
SECRET = b"0123456789abcdef0123456789abcdef"
MARKS = [
    "CANARYSERIAL", "CANARYNUMBER", "CANARYPATIENT", "CANARYFAMILY", "CANARYGIVEN", "CANARYORDER", "CANARYVISIT",
    "CANARYEPISODE", "CANARYREASON", "CANARYSTAFF", "CANARYDISPLAY", "CANARYWARD", "CANARYVERIFIER", "CANARYNOTE",
    "CANARYACTION", "CANARYMAKER", "CANARYMODEL", "CANARYSUPERSEDED", "CANARYUDI",
]  # fmt: skip
DATES = ["2026-03-18", "2026-03-17", "2026-01-12", "1951-03-09", "2026-03-19", "2026-03-20"]

EVERYTHING: Json = {
    "resource": "Observation",
    "select": [
        {
            "column": [
                {"name": name, "path": path, "collection": True}
                for name, path in (
                    ("id", "id"), ("div", "text.div"), ("note", "note.text"), ("who", "note.authorString"),
                    ("id_value", "identifier.value"), ("subject", "subject"), ("device", "device"),
                    ("performer", "performer"), ("encounter", "encounter"), ("order", "basedOn"), ("at", "effectiveDateTime"),
                    ("issued", "issued"), ("ext", "extension"), ("component", "component"), ("code", "code"),
                    ("contained", "contained"), ("meta", "meta"), ("member", "hasMember"), ("shadow", "_effectiveDateTime"),
                )
            ]
        }
    ],
}  # fmt: skip


def marked(record: Any) -> Json:
    made: Json = record(
        exam_number="CANARYNUMBER",
        device={"serial": "CANARYSERIAL", "manufacturer": "CANARYMAKER", "model": "CANARYMODEL",
                "software_version": "2.4", "udi_device_identifier": "CANARYUDI", "calibrated_on": "2026-01-12"},
        patient={"identifiers": [{"system": "https://h.example/mrn", "value": "CANARYPATIENT", "type": "MR"}],
                 "birth_date": "1931-03-09", "family_name": "CANARYFAMILY", "given_names": ["CANARYGIVEN"]},
        order={"system": "https://h.example/o", "value": "CANARYORDER"},
        encounter={"system": "https://h.example/v", "value": "CANARYVISIT"},
        episode={"system": "https://h.example/e", "value": "CANARYEPISODE"},
        reason="CANARYREASON",
        operator={"identifier": {"system": "https://h.example/s", "value": "CANARYSTAFF"}, "display": "CANARYDISPLAY"},
        location="CANARYWARD",
        verified={"by": "CANARYVERIFIER", "at": "2026-03-19T10:44:00+01:00", "note": "CANARYNOTE"},
        action={"what": "escalated", "at": "2026-03-20T10:00:00+01:00", "note": "CANARYACTION"},
        supersedes="CANARYSUPERSEDED",
        catheter_removed_at="2026-03-17 08:00+01:00",
    )  # fmt: skip
    return made


def export(record: Any, bundle: Any, stored: Any, tmp_path: Path, shape: str = "panel") -> Path:
    """The Bundle's resources with server ids, as an export folder holds them, plus older versions and a broken line."""
    folder = tmp_path / f"export-{shape}"
    folder.mkdir(exist_ok=True)
    lines: dict[str, list[bytes]] = {}
    for number, entry in enumerate(bundle(marked(record), shape)["entry"]):
        resource = entry["resource"]
        made = stored(resource, f"CANARYID{number}", "2", "2026-03-20T10:00:00Z")
        old = stored(resource, f"CANARYID{number}", "1", "2026-03-19T10:00:00Z")
        lines.setdefault(resource["resourceType"], []).extend([wire.dumps(old), wire.dumps(made)])
    lines["Observation"].append(b'{"resourceType":"Observation","note":[{"text":"CANARYNOTE"')
    for kind, content in lines.items():
        (folder / f"{kind}.ndjson").write_bytes(b"\n".join(content) + b"\n")
    return folder


def everything_written(folder: Path) -> str:
    return "\n".join(
        p.name + "\n" + p.read_bytes().decode("utf-8", "replace") for p in sorted(folder.rglob("*")) if p.is_file()
    )


@pytest.mark.parametrize("shape", ["panel", "single"])
def test_no_original_is_left(shape: str, record: Any, bundle: Any, stored: Any, tmp_path: Path) -> None:
    source = export(record, bundle, stored, tmp_path, shape)
    found = {}
    for name, secret in (("open", None), ("hidden", SECRET)):
        out = tmp_path / f"{name}-{shape}"
        for view in ("exams", "measurements"):
            table([source], view, out / f"{view}.csv", pseudonyms=secret, shift_dates=secret is not None)
            table([source], view, out / f"{view}.ndjson", pseudonyms=secret, shift_dates=secret is not None)
        table([source], EVERYTHING, out / "all.ndjson", pseudonyms=secret, shift_dates=secret is not None)
        # the run's own date stands in the manifest and is no one's
        found[name] = re.sub(r'"made_at":"[^"]*"', "", everything_written(out))
    missed = [mark for mark in MARKS if mark in found["hidden"]] + [d for d in DATES if d in found["hidden"]]
    assert missed == []
    assert "CANARYID" not in found["hidden"]
    assert "h.example" not in found["hidden"]
    assert "INVENTED" not in found["hidden"]
    # positive control: the same files hold them when nothing hides them
    in_the_tables = {
        "CANARYSERIAL",
        "CANARYNUMBER",
        "CANARYPATIENT",
        "CANARYWARD",
        "CANARYNOTE",
        "CANARYID",
        "CANARYSTAFF",
    }
    assert in_the_tables <= {mark for mark in [*MARKS, "CANARYID"] if mark in found["open"]}


def test_the_rows_are_still_there_and_join(
    record: Any, bundle: Any, stored: Any, read_csv: Any, tmp_path: Path
) -> None:
    source = export(record, bundle, stored, tmp_path)
    table([source], "exams", tmp_path / "o" / "e.csv", pseudonyms=SECRET, shift_dates=True)
    table([source], "measurements", tmp_path / "o" / "m.csv", pseudonyms=SECRET, shift_dates=True)
    [exam] = read_csv(tmp_path / "o" / "e.csv")
    rows = read_csv(tmp_path / "o" / "m.csv")
    assert {r["exam_key"] for r in rows} == {exam["exam_key"]}
    assert exam["exam_key"].startswith("exam-")
    assert {r["value"] for r in rows if r["concept"] == "volume"} == {"186"}
    assert exam["age_years"] == "90"  # 95 years: one band from 90 on
    assert exam["patient"].startswith("patient-")
    assert exam["location"].startswith("location-")
    assert (exam["software_version"], exam["position"], exam["void_state"]) == ("2.4", "supine", "post-void")
    # one shift for all dates of the patient: intervals and times of day stay
    start = dt.datetime.fromisoformat(exam["started_at_local"])
    assert start.timetz() == dt.datetime.fromisoformat("2026-03-18T10:42:00+01:00").timetz()
    assert dt.datetime.fromisoformat(exam["voided_at"]) == start - dt.timedelta(minutes=7)
    days = dt.datetime.fromisoformat(exam["verified_at"]).date() - dt.date(2026, 3, 19)
    assert days == start.date() - dt.date(2026, 3, 18)


def test_no_date_that_patients_share_tells_their_shifts(
    record: Any, observations: Any, ndjson: Any, stored: Any, read_csv: Any, tmp_path: Path
) -> None:
    """One calibration and one load of a server for two patients: moved by each one's shift, the difference of the two
    shifts would be in the table, and one known date would open all.
    """
    resources = []
    for name in ("A", "B"):
        patient = {"identifiers": [{"system": "urn:x", "value": name}], "birth_date": "1951-03-09"}
        [one] = observations(record(exam_number=name, patient=patient))
        resources.append(stored(one, f"o{name}", at="2026-04-01T00:00:00Z"))
    table([ndjson(resources)], "exams", tmp_path / "s.csv", pseudonyms=SECRET, shift_dates=True)
    rows = read_csv(tmp_path / "s.csv")
    assert rows[0]["started_at"] != rows[1]["started_at"]
    assert {row[name] for row in rows for name in ("calibrated_on", "recorded_at")} == {""}
    table([ndjson(resources)], "exams", tmp_path / "k.csv", pseudonyms=SECRET)  # not shifted: they stay
    assert {row["calibrated_on"] for row in read_csv(tmp_path / "k.csv")} == {"2026-01-12"}


def test_later_exports_get_the_same_pseudonyms(
    record: Any, observations: Any, ndjson: Any, read_csv: Any, tmp_path: Path
) -> None:
    made = []
    for number in ("1", "2"):
        target = tmp_path / number / "e.csv"
        table([ndjson(observations(record(exam_number=number)))], "exams", target, pseudonyms=SECRET, shift_dates=True)
        [row] = read_csv(target)
        made.append(row)
    assert made[0]["patient"] == made[1]["patient"]
    assert made[0]["started_at"] == made[1]["started_at"]
    assert made[0]["exam_key"] != made[1]["exam_key"]


def test_another_secret_gives_other_pseudonyms() -> None:
    one, other = Pseudonyms(SECRET, shift=True), Pseudonyms(SECRET[::-1], shift=True)
    assert one.of("patient", "a") != other.of("patient", "a")
    assert one.of("patient", "a") != one.of("order", "a")[len("order") :]
    shifts = {one.days(f"p{n}") for n in range(2000)}
    assert 0 not in shifts
    assert min(shifts) < -300
    assert max(shifts) > 300


@pytest.mark.parametrize("text", ["2026-03", "2026", "someday"])
def test_a_date_that_cannot_be_moved_is_dropped(text: str) -> None:
    assert Pseudonyms(SECRET, shift=True).moved(text, "p") is None


def test_the_secret_is_refused_where_others_can_read_it(tmp_path: Path) -> None:
    path = tmp_path / "secret"
    path.write_bytes(SECRET)
    path.chmod(0o644)
    with pytest.raises(ConfigError, match="read by others"):
        read_secret(path)
    path.chmod(0o600)
    assert read_secret(path) == SECRET
    path.write_bytes(b"short")
    with pytest.raises(ConfigError, match="5 bytes"):
        read_secret(path)
    with pytest.raises(ConfigError, match="cannot read"):
        read_secret(tmp_path / "missing")


def test_deliveries_can_be_hidden(tmp_path: Path, ndjson: Any, read_csv: Any) -> None:
    receipt = {
        "key": "HT-0093/1",
        "state": "held",
        "reason": "two patients match CANARY",
        "attempts": 2,
        "held_since": "2026-03-18T10:00:00Z",
    }
    source = ndjson([receipt, b"nonsense", b'{"no":"receipt"}'])
    result = table([source], "deliveries", tmp_path / "d.csv")
    [row] = read_csv(tmp_path / "d.csv")
    assert (row["exam_key"], row["state"], row["attempts"]) == ("HT-0093/1", "held", "2")
    assert result.rejected == 2
    table([source], "deliveries", tmp_path / "h.csv", pseudonyms=SECRET)
    text = (tmp_path / "h.csv").read_text()
    assert "CANARY" not in text
    assert "HT-0093" not in text
