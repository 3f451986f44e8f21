"""The resources that are mutated: our examples, the demo ward mapped, the R4 examples of the types judged, our own."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from fhir_bladder import wire

HERE = Path(__file__).parent
ROOT = HERE.parents[2]
R4 = (
    "observation-example", "observation-decimal", "diagnosticreport-example", "patient-example", "device-example",
    "devicemetric-example", "bundle-questionnaire", "encounter-example", "practitioner-example",
    "practitionerrole-example", "organization-1", "organization-example", "location-example",
    "operationoutcome-example", "parameters-example",
)  # fmt: skip


def folder(path: Path) -> dict[str, dict[str, Any]]:
    return {file.stem: wire.loads(file.read_bytes()) for file in sorted(path.glob("*.json"))}


def ward() -> dict[str, dict[str, Any]]:
    """Resources of a few mapped exams of the demo ward."""
    from fhir_bladder import exam
    from fhir_bladder.errors import BladderError
    from fhir_bladder.mapping import MapOptions, to_fhir
    from fhir_bladder.sandbox.ward import ward as records

    found: dict[str, dict[str, Any]] = {}
    shapes = ("panel", "single")
    for number, record in enumerate(records()[0][:: max(1, len(records()[0]) // 24)]):
        try:
            mapped = to_fhir(exam.load(record), options=MapOptions(shape=shapes[number % 3 == 2]))
        except BladderError:
            continue
        for at, resource in enumerate(mapped.observations):
            found[f"ward-{number}-{at}"] = resource
        if number % 4 == 0:
            found[f"ward-{number}-bundle"] = mapped.bundle
        if number % 5 == 0:
            for entry in mapped.bundle["entry"]:
                resource = entry["resource"]
                if resource["resourceType"] != "Observation":
                    found[f"ward-{number}-{resource['resourceType']}"] = resource
    # through bytes and back: tuples become lists, numbers what a reader sees
    return {name: wire.loads(wire.dumps(resource)) for name, resource in found.items()}


def seeds(suites: Path) -> dict[str, tuple[dict[str, Any], float]]:
    """Name → (resource, weight)."""
    found: dict[str, tuple[dict[str, Any], float]] = {}
    for name, resource in folder(ROOT / "tests" / "profiles" / "valid").items():
        found[f"ours-{name}"] = resource, 1.0
    for name, resource in folder(HERE / "seeds").items():
        found[f"own-{name}"] = resource, 2.0
    for name, resource in ward().items():
        found[name] = resource, 0.4
    for name in R4:
        resource = wire.loads((suites / "fhir-r4" / "examples" / f"{name}.json").read_bytes())
        found[f"r4-{name}"] = resource, 2.0
    # HAPI's time grows with the size: large resources are drawn less often
    return {
        name: (resource, weight * min(1.0, 2500 / len(wire.dumps(resource))))
        for name, (resource, weight) in found.items()
    }
