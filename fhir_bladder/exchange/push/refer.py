"""Room `exchange`: whom and what exams refer to: each exam's Patient and Device, put in place of the Bundle's own.

May import errors.
"""

from __future__ import annotations

from fhir_bladder.exchange.outbox.rows import Result
from fhir_bladder.exchange.push.ensure import Ensurer, NotTaken
from fhir_bladder.exchange.push.fate import failed
from fhir_bladder.exchange.push.look import Job
from fhir_bladder.exchange.push.options import PushOptions
from fhir_bladder.exchange.push.patients import Guard
from fhir_bladder.exchange.push.unit import Exam, Json
from fhir_bladder.exchange.shapes import unfit


class References:
    """Finds or creates what a chunk of exams refers to."""

    def __init__(self, guard: Guard, ensurer: Ensurer, options: PushOptions) -> None:
        self._guard = guard
        self._ensurer = ensurer
        self._options = options

    def subjects(self, jobs: list[Job]) -> dict[int, Result]:
        """Whose exam each is, put in place; results of those held for it or that the server failed on."""
        released = ["patient-unproven" in job.released for job in jobs]
        verdicts = self._guard.judge([job.exam for job in jobs], released)
        results: dict[int, Result] = {}
        for job, verdict in zip(jobs, verdicts, strict=True):
            job.note = verdict.note
            if verdict.code == "server-fails":
                job.words = verdict.reason
                results[job.row.id] = failed(job)
            elif verdict.reference is None:
                results[job.row.id] = Result(job.row.id, "held", verdict.code, verdict.reason)
            else:
                job.references = set_subject(job.exam, verdict.reference, unverified=self._guard.mode == "logical")
        return results

    def devices(self, jobs: list[Job]) -> dict[int, Result]:
        """The scanner of each exam, put in place; results of those held for it."""
        results: dict[int, Result] = {}
        mode = self._options.devices
        if mode == "logical":
            for job in jobs:
                job.references |= set_device(job.exam, {})
            return results
        wanted = {job.exam.serial: job.exam.device for job in jobs if job.exam.serial[1]}
        to_make = {pair: device for pair, device in wanted.items() if device is not None and mode == "create"}
        found = self._ensurer.find("Device", [pair for pair in wanted if pair not in to_make])
        failure = ""
        try:
            found |= self._ensurer.ensure("Device", to_make)
        except NotTaken as error:
            failure = error.what
            found |= error.found
        for job in jobs:
            devices = found.get(job.exam.serial, [])
            if failure and not devices:
                job.words = failure
                results[job.row.id] = failed(job)
                continue
            if any(map(unfit, devices)):
                words = "the server's Device of this scanner cannot be read as FHIR; ask its operator, or put it right"
                results[job.row.id] = Result(job.row.id, "held", "server-unreadable", words)
            elif len(devices) == 1:
                job.references |= set_device(job.exam, {"reference": f"Device/{devices[0]['id']}"})
            elif mode == "create" and job.exam.device is None and not devices:
                job.references |= set_device(job.exam, {})
            else:
                told = f"the server has the scanner {len(devices)} times" if devices else "the scanner is not there"
                words = f"{told}; put its Device right, or use --devices logical"
                results[job.row.id] = Result(job.row.id, "held", "device", words)
        return results


def set_subject(exam: Exam, reference: Json, *, unverified: bool = False) -> dict[str, Json]:
    """Put the patient found in place of the Bundle's own; its identifier stays. Unverified ones are tagged.

    Returns what the Patient's fullUrl is to be replaced by.
    """
    url = exam.urls.get("Patient", "")
    identifier = {"identifier": _plain_identifier(exam.patient)} if exam.patient and url else {}
    resources = [*exam.observations, exam.report]
    for resource in resources:
        if resource is None:
            continue
        subject = resource.setdefault("subject", {})
        subject.update(reference)
        if not reference:
            subject.pop("reference", None)
        if unverified:
            tags = resource.setdefault("meta", {}).setdefault("tag", [])
            tags.append({"display": "patient identity not verified by the sender"})
    return {url: identifier | reference} if url else {}


def _plain_identifier(patient: Json) -> Json:
    first = patient["identifier"][0]
    return {name: first[name] for name in ("system", "value") if name in first}


def set_device(exam: Exam, reference: Json) -> dict[str, Json]:
    """Put the Device found in place of the Bundle's own; without one its identifier stands alone.

    Returns what the Device's fullUrl is to be replaced by.
    """
    url = exam.urls.get("Device", "")
    system, value = exam.serial
    for observation in exam.observations:
        if "device" in observation:
            observation["device"].update(reference)
    return {url: {"identifier": {"system": system, "value": value}} | reference} if url else {}
