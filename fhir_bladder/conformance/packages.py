"""Room `conformance`: FHIR packages, read in memory. Belongs here: folders and .tgz files with their limits.

Nothing is extracted to disk. Only regular files are read; count, size and compression ratio are capped.
"""

from __future__ import annotations

import gzip
import io
import json
import tarfile
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fhir_bladder.errors import Finding, InputError

KINDS = ("StructureDefinition", "ValueSet", "CodeSystem")
MAX_FILES = 20_000
MAX_FILE = 32 * 1024 * 1024
MAX_TOTAL = 512 * 1024 * 1024
MAX_RATIO = 200
_CORE = ("hl7.fhir.r4.core", "hl7.fhir.core", "hl7.terminology", "hl7.terminology.r4", "hl7.fhir.uv.extensions.r4")


@dataclass(slots=True)
class Package:
    """What a package holds: name, version, artefacts of the kinds a validator needs, dependencies by name."""

    name: str
    version: str
    artefacts: list[Mapping[str, Any]] = field(default_factory=list)
    dependencies: dict[str, str] = field(default_factory=dict)

    def missing(self, present: set[str]) -> list[str]:
        """Dependencies that are neither R4 itself nor among the packages given."""
        return [f"{n}#{v}" for n, v in self.dependencies.items() if n not in present and n not in _CORE]


def local_artefacts() -> list[Mapping[str, Any]]:
    """The project's own profiles, value sets and code systems."""
    from fhir_bladder.terminology.artefacts import load

    return [resource for kind in KINDS for resource in load(kind)]


def lacking(given: Sequence[tuple[str, Package]]) -> list[Finding]:
    """A warning for each dependency of a package that is not among those given; `given` holds (place, package)."""
    names = {package.name for _, package in given}
    return [
        Finding(
            "package-dependency",
            "warning",
            f"package {package.name} needs {name}, which is not given",
            expected=name,
            hint="add it with --package; profiles and value sets it holds are unknown without it",
            file=place,
        )
        for place, package in given
        for name in package.missing(names)
    ]


def read_package(path: Path) -> Package:
    """Read a folder or a .tgz. Raises InputError for what is missing, broken or too large."""
    if path.is_dir():
        members = _folder(path)
    elif path.is_file():
        members = _archive(path)
    else:
        raise InputError("package not found", str(path), "give a folder or a .tgz file")
    package = Package(path.name, "")
    found_any = False
    xml = False
    for name, data in members:
        xml = xml or name.endswith(".xml")
        if not name.endswith(".json"):
            continue
        try:
            content = json.loads(data.removeprefix(b"\xef\xbb\xbf"))
        except (ValueError, RecursionError):
            if name.rpartition("/")[2].startswith(KINDS):
                raise InputError("artefact is not JSON", f"{path}: {name}", "correct or remove it") from None
            continue
        if not isinstance(content, dict):
            continue
        found_any = True
        if name.rpartition("/")[2] == "package.json" and "resourceType" not in content:
            package.name = str(content.get("name", package.name))
            package.version = str(content.get("version", ""))
            versions = content.get("fhirVersions") or content.get("fhir-version-list") or ["4.0.1"]
            if isinstance(versions, list) and not any(str(v).startswith("4.") for v in versions):
                said = ", ".join(map(str, versions))
                raise InputError(f"package is for FHIR {said}, not R4", str(path), "give the one for R4 (4.0.1)")
            dependencies = content.get("dependencies")
            package.dependencies = (
                {str(k): str(v) for k, v in dependencies.items()} if isinstance(dependencies, dict) else {}
            )
        elif content.get("resourceType") in KINDS and isinstance(content.get("url"), str):
            package.artefacts.append(content)
    if not found_any or (xml and not package.artefacts):
        raise InputError(
            "no FHIR artefacts in JSON in the package", str(path), "give its JSON form; XML sources are not read"
        )
    return package


def _folder(path: Path) -> Iterator[tuple[str, bytes]]:
    total = 0
    files = sorted(p for p in path.rglob("*") if p.suffix in (".json", ".xml") and p.is_file() and not p.is_symlink())
    if len(files) > MAX_FILES:
        raise InputError(f"{len(files):,} files in one package", str(path), f"at most {MAX_FILES:,} are read")
    for file in files:
        size = file.stat().st_size
        total += size
        _check(size, total, str(path), file.name)
        yield str(file.relative_to(path)), b"" if file.suffix == ".xml" else file.read_bytes()


def _check(size: int, total: int, package: str, name: str) -> None:
    if size > MAX_FILE:
        raise InputError(f"{size:,} bytes in one file", f"{package}: {name}", f"at most {MAX_FILE:,} are read")
    if total > MAX_TOTAL:
        raise InputError("package too large", package, f"at most {MAX_TOTAL:,} bytes unpacked are read")


class _Capped(io.RawIOBase):
    """A gzip stream that stops when it grows beyond its ratio or total."""

    def __init__(self, path: Path) -> None:
        self._packed = path.stat().st_size
        self._file = gzip.open(path)  # noqa: SIM115 - closed with this object
        self._read = 0
        self._path = path

    def readable(self) -> bool:
        return True

    def readinto(self, buffer: Any) -> int:
        data = self._file.read(len(buffer))
        self._read += len(data)
        if self._read > MAX_TOTAL or self._read > max(self._packed * MAX_RATIO, 1024 * 1024):
            raise InputError(
                "package unpacks to far more than it is", str(self._path), "get it from its publisher again"
            )
        buffer[: len(data)] = data
        return len(data)

    def close(self) -> None:
        self._file.close()
        super().close()


def _archive(path: Path) -> Iterator[tuple[str, bytes]]:
    total = count = 0
    try:
        with _Capped(path) as stream, tarfile.open(fileobj=io.BufferedReader(stream), mode="r|") as archive:
            for member in archive:
                count += 1
                if count > MAX_FILES:
                    raise InputError("too many files in the package", str(path), f"at most {MAX_FILES:,} are read")
                if not member.isreg():
                    continue
                total += member.size
                _check(member.size, total, str(path), member.name)
                content = archive.extractfile(member)
                if content is not None and "/example" not in member.name:
                    yield member.name, content.read()
    except (tarfile.TarError, OSError, EOFError) as error:
        if isinstance(error, OSError) and error.strerror:
            raise InputError(f"cannot be read: {error.strerror.lower()}", str(path), "check the path") from None
        raise InputError(
            f"not a readable .tgz package: {error}", str(path), "get it from its publisher again"
        ) from None
