"""Room `sandbox`: the invented ward of the demo. Exam records only; nothing here is taken from a person or a device.

Every record is `synthetic`. Names are words no person bears. Sizes are drawn so that the records hang together:
bladders are ellipsoids, walls keep their mass while they stretch, urine keeps coming between void and scan.
"""

from __future__ import annotations

import datetime as dt
import random
from decimal import Decimal
from typing import Any

from fhir_bladder.measurement import geometry

Record = dict[str, Any]

PATIENT_SYSTEM = "https://ward-h.example/patient-number"
ORDER_SYSTEM = "https://ward-h.example/order"
VISIT_SYSTEM = "https://ward-h.example/visit"
STAFF_SYSTEM = "https://ward-h.example/staff"
EPISODE_SYSTEM = "https://ward-h.example/episode"

_FIRST_DAY = dt.datetime(2026, 3, 2, 8, 0, tzinfo=dt.timezone(dt.timedelta(hours=1)))
_WEEKS = 6
_PATIENTS = 46
_DEVICES: tuple[Record, ...] = (
    {"serial": "HT-0093", "manufacturer": "Htest Instruments", "model": "Htest A", "software_version": "2.4",
     "calibrated_on": "2026-01-12"},
    {"serial": "HT-0117", "manufacturer": "Htest Instruments", "model": "Htest B", "software_version": "1.9",
     "calibrated_on": "2025-11-03"},
)  # fmt: skip


class _Ward:
    """Draws records in time order; one seed, always the same ward."""

    def __init__(self, seed: int) -> None:
        self.random = random.Random(seed)  # noqa: S311 - invented data, nothing secret
        self.records: list[Record] = []
        self.patients = [self._patient(index) for index in range(_PATIENTS)]

    def _patient(self, index: int) -> Record:
        woman = index % 2 == 0
        return {
            "identifiers": [{"system": PATIENT_SYSTEM, "value": f"H{700 + index}", "type": "MR"}],
            "birth_date": f"{1934 + self.random.randrange(58)}-{1 + self.random.randrange(12):02}-"
            f"{1 + self.random.randrange(28):02}",
            "administrative_gender": "female" if woman else "male",
            "family_name": f"Htest-{index:03}",
            "given_names": ["Invented"],
        }

    def exam(self, patient: int, started: dt.datetime, void_state: str, **fields: Any) -> Record:
        """A record of one of the two scanners, without its number yet; `fields` are added as they are."""
        device = _DEVICES[patient % len(_DEVICES)]
        who = self.patients[patient]
        uterus = who["administrative_gender"] == "female" and not fields.get("hysterectomy")
        record: Record = {
            "record_version": "1",
            "exam_number": "",
            "device": device,
            "patient": who,
            "order": {"system": ORDER_SYSTEM, "value": f"O{patient:03}-{started:%m%d}"},
            "encounter": {"system": VISIT_SYSTEM, "value": f"V{patient:03}"},
            "operator": {"identifier": {"system": STAFF_SYSTEM, "value": f"op-{1 + patient % 5}"},
                         "display": f"operator {1 + patient % 5}"},
            "location": "Ward H, room " + str(1 + patient % 12),
            "started_at": started.isoformat(),
            "uterus_present": uterus,
            "void_state": void_state,
            "position": "supine",
            "scans": [],
        }  # fmt: skip
        record.update(fields)
        record["verified"] = {
            "by": f"operator {1 + patient % 5}",
            "at": (started + dt.timedelta(minutes=2 + self.random.randrange(4))).isoformat(),
        }
        record["synthetic"] = True
        self.records.append(record)
        return record

    def scan(self, record: Record, volume: int, **fields: Any) -> Record:
        """Add a scan some seconds after the one before."""
        number = len(record["scans"]) + 1
        taken = dt.datetime.fromisoformat(record["started_at"]) + dt.timedelta(seconds=25 * number)
        scan = {"scan_number": number, "taken_at": taken.isoformat(), "volume": _quantity(volume, "mL"),
                "centring": "centred", "pubic_shadow": False, **fields}  # fmt: skip
        record["scans"].append(scan)
        return scan

    def wall(self, record: Record, *, mass: float, caliper: bool = False, received_mass: bool = False) -> None:
        """Wall of the last scan: as thick as a wall of `mass` g is around it, with an area above a sphere's."""
        scan = record["scans"][-1]
        volume = float(scan["volume"]["value"])
        area = geometry.sphere_area(volume) * self.random.uniform(1.02, 1.07)
        thickness = 10 * mass / (area * 0.957)
        wall: Record = {"scan_number": scan["scan_number"], "layer": "whole-wall"}
        name = "caliper_thickness" if caliper else "thickness"
        wall[name] = _quantity(Decimal(f"{thickness:.2f}" if caliper else f"{thickness:.1f}"), "mm")
        wall["surface_area"] = _quantity(round(area), "cm2")
        if received_mass:
            wall["mass"] = _quantity(Decimal(f"{0.957 * round(area) * float(wall[name]['value']) / 10:.1f}"), "g")
        wall["probe_frequency"] = _quantity(Decimal("3.5"), "MHz")
        record["wall"] = wall


def _quantity(value: int | Decimal, unit: str) -> Record:
    return {"value": value, "unit": unit}


def ward(seed: int = 20260302) -> tuple[list[Record], list[Record]]:
    """The invented ward: (records as first sent, records sent later).

    The first list, about 200 exams over six weeks, ends with three records that are refused. The second holds the
    exam verified later, the one sent again, the amended one and the one set right after it went to a wrong patient.
    """
    w = _Ward(seed)
    for patient in range(_PATIENTS):
        for visit in range(1 + patient % 3):
            day = (patient * 7 + visit * 13) % (_WEEKS * 7)
            _pair(w, patient, _FIRST_DAY + dt.timedelta(days=day, minutes=9 * patient + 3 * visit))
    _trial_without_catheter(w, 7, _FIRST_DAY + dt.timedelta(days=16, minutes=5))
    _bladder_not_seen(w, 11, _FIRST_DAY + dt.timedelta(days=20, hours=7))
    unverified = _unverified(w, 13, _FIRST_DAY + dt.timedelta(days=22, hours=8))
    wrong_patient = _plain(w, 17, _FIRST_DAY + dt.timedelta(days=25, hours=8), 232)
    amended = _plain(w, 19, _FIRST_DAY + dt.timedelta(days=27, hours=8), 318)
    _overfull(w, 23, _FIRST_DAY + dt.timedelta(days=29, hours=9))
    refused = _refused(w)
    _number(w.records)
    good = [record for record in w.records if record not in refused]
    return good + refused, _later(good[0], w, unverified, wrong_patient, amended)


def _number(records: list[Record]) -> None:
    """Put them in time order and number each scanner's exams; one number of each was never sent."""
    records.sort(key=lambda record: str(record["started_at"]))
    numbers = {str(device["serial"]): 400 for device in _DEVICES}
    for record in records:
        serial = record["device"]["serial"]
        numbers[serial] += 2 if numbers[serial] == 430 else 1
        record["exam_number"] = f"2026-{numbers[serial]:05}"


def _pair(w: _Ward, patient: int, started: dt.datetime) -> None:
    """Before and after a void: the common course on a ward, with the repeats that practice brings."""
    draw = w.random
    full = draw.randrange(170, 560)
    residual = max(0, round(full * draw.choice((0.0, 0.04, 0.08, 0.15, 0.3, 0.55)) + draw.randrange(0, 12)))
    before = w.exam(patient, started, "pre-void", reason="postoperative check")
    if draw.random() < 0.25:
        w.scan(before, round(full * 0.9), centring="partly-centred", off_centre_towards=["left"])
    if draw.random() < 0.15:
        w.scan(before, round(full * 0.93), pubic_shadow=True)
    w.scan(before, full)
    _choose_last(before)
    if 120 <= full <= 430:
        w.wall(before, mass=draw.uniform(32, 48), caliper=patient % 5 == 0, received_mass=patient % 3 == 0)
    voided_at = started + dt.timedelta(minutes=12)
    after = w.exam(
        patient,
        voided_at + dt.timedelta(minutes=draw.randrange(3, 12)),
        "post-void",
        void_attempt="voided",
        voided_at=voided_at.isoformat(),
        voided_volume=_quantity(full - residual, "mL"),
        void_measured=patient % 4 != 0,
    )
    if residual > 60 and draw.random() < 0.4:
        w.scan(after, round(residual * 0.94), centring="not-centred", off_centre_towards=["right", "cranial"])
    w.scan(after, residual)
    _choose_last(after)
    if patient % 9 == 0:
        _diameters(after, residual)


def _choose_last(record: Record) -> None:
    record["reported_scan"] = record["scans"][-1]["scan_number"]
    record["choice_rule"] = "operator"


def _diameters(record: Record, volume: int) -> None:
    """Three diameters that give the volume with the ellipsoid's coefficient; none of a bladder next to empty."""
    if volume < 20:
        return
    height = round((volume * 1000 / (0.5236 * 1.25 * 1.1)) ** (1 / 3))
    length, width = round(height * 1.25), round(height * 1.1)
    computed = round(0.5236 * length * width * height / 1000)
    record["scans"][-1]["volume"] = _quantity(computed, "mL")
    record["diameters"] = {"scan_number": record["scans"][-1]["scan_number"], "length": _quantity(length, "mm"),
                           "width": _quantity(width, "mm"), "height": _quantity(height, "mm"),
                           "coefficient": Decimal("0.5236")}  # fmt: skip


def _trial_without_catheter(w: _Ward, patient: int, removed: dt.datetime) -> None:
    """Catheter out, two voids, two scans; one episode."""
    episode = {"system": EPISODE_SYSTEM, "value": f"trial-{patient}"}
    voids: list[Record] = []
    for hours, voided, left in ((3, 140, 210), (5, 250, 60)):
        at = removed + dt.timedelta(hours=hours)
        record = w.exam(patient, at + dt.timedelta(minutes=6), "post-void", episode=episode, void_attempt="voided",
                        reason="trial without catheter", voided_at=at.isoformat(),
                        voided_volume=_quantity(voided, "mL"), void_measured=True,
                        catheter_removed_at=removed.isoformat())  # fmt: skip
        if voids:
            record["earlier_voids"] = list(voids)
        w.scan(record, left)
        record["action"] = {"what": "repeat-scan" if left > 150 else "none"}
        voids.append({"at": at.isoformat(), "volume": _quantity(voided, "mL"), "measured": True})


def _bladder_not_seen(w: _Ward, patient: int, started: dt.datetime) -> None:
    record = w.exam(patient, started, "post-void", void_attempt="unable", retention_symptoms=False)
    for number in (1, 2):
        record["scans"].append({"scan_number": number, "absent_reason": "not-seen", "centring": "unknown"})
    record["verified"]["note"] = "bladder not seen on two scans; a catheter check followed by local routine"
    record["action"] = {"what": "escalated"}


def _unverified(w: _Ward, patient: int, started: dt.datetime) -> Record:
    record = _plain(w, patient, started, 287)
    del record["verified"]
    return record


def _plain(w: _Ward, patient: int, started: dt.datetime, volume: int) -> Record:
    record = w.exam(patient, started, "pre-void")
    w.scan(record, volume)
    w.wall(record, mass=38.0, received_mass=True)
    return record


def _overfull(w: _Ward, patient: int, started: dt.datetime) -> None:
    """Off scale: the scanner gave a bound, the bladder was drained."""
    record = w.exam(patient, started, "unspecified", void_attempt="unable", retention_symptoms=True)
    w.scan(record, 999)["volume"]["comparator"] = ">"
    record["catheterised_volume"] = _quantity(1080, "mL")
    record["catheterised_at"] = (started + dt.timedelta(minutes=25)).isoformat()
    record["action"] = {"what": "catheterised", "at": (started + dt.timedelta(minutes=25)).isoformat()}


def _refused(w: _Ward) -> list[Record]:
    """Three records that cannot go out: a megalitre, a time without offset, a void after its own scan."""
    started = _FIRST_DAY + dt.timedelta(days=31, hours=8)
    megalitre = _plain(w, 29, started, 240)
    megalitre["scans"][0]["volume"]["unit"] = "ML"
    no_offset = _plain(w, 31, started + dt.timedelta(minutes=40), 205)
    no_offset["started_at"] = no_offset["started_at"][:19]
    late = started + dt.timedelta(minutes=80)
    void_after = w.exam(33, late, "post-void", void_attempt="voided",
                        voided_at=(late + dt.timedelta(minutes=9)).isoformat(),
                        voided_volume=_quantity(180, "mL"), void_measured=True)  # fmt: skip
    w.scan(void_after, 44)
    return [megalitre, no_offset, void_after]


def _later(again: Record, w: _Ward, unverified: Record, wrong_patient: Record, amended: Record) -> list[Record]:
    verified_later = {**unverified, "verified": {"by": "operator 2", "at": _minutes_after(unverified, 600)}}
    set_right = {**wrong_patient, "patient": w.patients[18], "status": "corrected",
                 "order": {"system": ORDER_SYSTEM, "value": "O018-0327"},
                 "encounter": {"system": VISIT_SYSTEM, "value": "V018"}}  # fmt: skip
    set_right["verified"] = {**wrong_patient["verified"], "note": "scanned under the patient before; set right"}
    changed = {**amended, "status": "amended", "location": "Ward H, room 3"}
    changed["verified"] = {"by": "operator 5", "at": _minutes_after(amended, 90), "note": "room corrected"}
    return [verified_later, again, changed, set_right]


def _minutes_after(record: Record, minutes: int) -> str:
    return (dt.datetime.fromisoformat(record["started_at"]) + dt.timedelta(minutes=minutes)).isoformat()
