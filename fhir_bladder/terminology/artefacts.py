"""Room `terminology`: where the FHIR artefacts of `profiles/` are, and reading them. May import errors, wire."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Any

from fhir_bladder import wire
from fhir_bladder.errors import ConfigError


@cache
def profile_dir() -> Path:
    """The folder of the artefacts: inside an installed package `_profiles`, in a source tree `profiles`.

    Raises ConfigError where neither is there.
    """
    package = Path(__file__).resolve().parent.parent
    for folder in (package / "_profiles", package.parent / "profiles"):
        if (folder / "CodeSystem-bladder-ultrasound.json").is_file():
            return folder
    raise ConfigError("the profiles of this package are missing", "fhir_bladder/_profiles", "install it again")


@cache
def _read(path: Path) -> dict[str, Any]:
    resource = wire.loads(path.read_bytes())
    assert isinstance(resource, dict)
    return resource


def load(resource_type: str) -> list[dict[str, Any]]:
    """All artefacts of a type, by file name: `<type>-<id>.json`, ViewDefinitions from the folder `views`.

    The dicts are shared: read, never change them.
    """
    folder = profile_dir() / "views" if resource_type == "ViewDefinition" else profile_dir()
    return [_read(path) for path in sorted(folder.glob(f"{resource_type}-*.json"))]
