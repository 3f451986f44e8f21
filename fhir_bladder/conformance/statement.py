"""Room `conformance`: what is checked and what is not, in words. Belongs here: the statement of `validate --scope`."""

from __future__ import annotations

JUDGED = (
    "Observation", "DiagnosticReport", "Patient", "Device", "DeviceMetric", "Provenance", "Bundle", "Encounter",
    "ServiceRequest", "Practitioner", "PractitionerRole", "Organization", "Location", "OperationOutcome", "Parameters",
)  # fmt: skip
"""Resource types whose verdicts are compared with the reference validator."""

NOT_CHECKED = (
    "Codes of systems that are not in the package or in R4 itself: LOINC, SNOMED CT, DICOM and other owners' codes are "
    "taken as they are, and a binding to a value set of such codes is checked only where the set lists them; a "
    "required binding that is not checked, and a slice that such a binding tells apart, are warned of by name.",
    "Slices told apart by `resolve()`, by profile, or sliced again: the profile is refused by name, with the element.",
    "Packages of XML sources: only their JSON form is read.",
    "Displays of codes against their code system.",
    "References to resources outside the file: only the type in the URL is checked.",
    "That a resource a reference leads to holds to the target profile; its type is checked.",
    "Country codes, time zones and registered media types; language tags are checked for their form only.",
    "Reachability of every entry of a document from its Composition, signatures, and search parameters in links.",
    "Contexts of extensions given as FHIRPath expressions, and invariants of contexts.",
    "Good practice (a narrative, a performer) is not asked for.",
    "Profile invariants on Bundles above 8 MB see each run of 200 entries, not the whole.",
)


def scope() -> str:
    """The statement, one paragraph a line."""
    lines = [
        "FHIR R4 4.0.1, JSON, offline.",
        "Judged in full: " + ", ".join(JUDGED) + " and all datatypes.",
        "Other resource types: structure, bindings and invariants as R4 defines them, not compared with another"
        " validator; the finding `type-structure-only` says so.",
        "Not checked:",
        *(f"- {line}" for line in NOT_CHECKED),
    ]
    return "\n".join(lines) + "\n"
