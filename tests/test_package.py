"""Wheel and sdist: what is inside, and that they work where nothing else of ours is."""

from __future__ import annotations

import json
import subprocess
import sys
import tarfile
import venv
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent


@pytest.fixture(scope="module")
def built(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the wheel and the sdist, built without the network."""
    pytest.importorskip("hatchling", reason="the build backend is of the extra `test`")
    folder = tmp_path_factory.mktemp("dist")
    build = "import sys, hatchling.build as b; print(b.build_wheel(sys.argv[1]), b.build_sdist(sys.argv[1]))"
    subprocess.run([sys.executable, "-c", build, str(folder)], cwd=ROOT, check=True, capture_output=True)
    return folder


def test_the_wheel_holds_the_profiles_and_the_sdist_the_tests(built: Path) -> None:
    (wheel,) = built.glob("*.whl")
    names = set(zipfile.ZipFile(wheel).namelist())
    for artefact in (ROOT / "profiles").rglob("*.json"):
        assert f"fhir_bladder/_profiles/{artefact.relative_to(ROOT / 'profiles').as_posix()}" in names
    for kind in ("py.typed", "conformance/definitions/", "measurement/rules/", "analysis/report/templates/"):
        assert any(name.startswith(f"fhir_bladder/{kind}") for name in names), kind
    assert not any(name.startswith("tests/") for name in names)
    for notice in ("LICENSE", "fhir_bladder/conformance/definitions/NOTICE.txt"):
        assert any(name.endswith(f".dist-info/licenses/{notice}") for name in names), notice
    (sdist,) = built.glob("*.tar.gz")
    with tarfile.open(sdist) as archive:
        inside = {name.split("/", 1)[1] for name in archive.getnames() if "/" in name}
    assert {"README.md", "LICENSE", "profiles/CodeSystem-bladder-ultrasound.json", "tests/test_package.py"} <= inside


def test_the_wheel_runs_from_another_place(built: Path, tmp_path: Path) -> None:
    (wheel,) = built.glob("*.whl")
    zipfile.ZipFile(wheel).extractall(tmp_path / "site")
    code = "import sys; sys.path.insert(0, 'site'); from fhir_bladder.cli.main import run; run(sys.argv[1:])"
    exam = str(ROOT / "examples" / "exam.json")
    done = subprocess.run(
        [sys.executable, "-c", code, "map", exam], cwd=tmp_path, capture_output=True, text=True, check=True
    )
    assert json.loads(done.stdout)["resourceType"] == "Observation"
    (tmp_path / "exam.fhir.json").write_text(done.stdout)
    subprocess.run([sys.executable, "-c", code, "validate", "exam.fhir.json"], cwd=tmp_path, check=True)


@pytest.mark.install
def test_it_installs_into_an_empty_environment(built: Path, tmp_path: Path) -> None:
    """From the package registry, base only: it works, and stays under 45 MB (issue of the base install's size)."""
    venv.create(tmp_path / "env", with_pip=True)
    python = tmp_path / "env" / "bin" / "python"
    before = _size(tmp_path / "env")
    (wheel,) = built.glob("*.whl")
    subprocess.run([python, "-m", "pip", "install", "-q", "--no-compile", str(wheel)], check=True)
    added = _size(tmp_path / "env") - before
    exam = str(ROOT / "examples" / "exam.json")
    tool = tmp_path / "env" / "bin" / "fhir-bladder"
    done = subprocess.run([tool, "map", exam], cwd=tmp_path, capture_output=True, text=True, check=True)
    assert json.loads(done.stdout)["resourceType"] == "Observation"
    for verb, extra in (("demo", "demo"), ("serve", "demo")):
        missing = subprocess.run([tool, verb], cwd=tmp_path, capture_output=True, text=True, check=False)
        assert missing.returncode == 3
        assert f"pip install '.[{extra}]'" in missing.stderr
    print(f"base install: {added / 1e6:.1f} MB")
    assert added < 45_000_000


def _size(folder: Path) -> int:
    return sum(path.stat().st_size for path in folder.rglob("*") if path.is_file())
