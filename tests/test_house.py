"""The house: which room may import which, what each module says first, and what may stand in the tree."""

from __future__ import annotations

import ast
import re
import subprocess
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "fhir_bladder"

# Room -> rooms it names; `errors` and `wire` are open to every room, and what a room may import its importers may too.
TABLE = {
    "errors": set(),
    "wire": set(),
    "terminology": set(),
    "exam": {"terminology"},
    "readers": {"exam"},
    "measurement": {"exam"},
    "fhirpath": set(),
    "mapping": {"exam", "measurement", "terminology"},
    "conformance": {"terminology", "fhirpath"},
    "exchange": {"mapping", "conformance"},
    "intake": {"readers", "exchange"},
    "analysis": {"mapping", "measurement", "fhirpath"},
}
OPEN = {"errors", "wire"}
ANYTHING = {"sandbox", "cli", "__main__", "__init__", "api"}


def _allowed(room: str) -> set[str]:
    """Everything a room may import, itself included."""
    todo, seen = {room}, set()
    while todo:
        seen |= (now := todo)
        todo = set().union(*(TABLE[name] for name in now)) - seen
    return seen | OPEN


def _modules() -> list[Path]:
    return sorted(PACKAGE.rglob("*.py"))


def _imports(path: Path) -> set[str]:
    """Rooms that a module imports, anywhere in it."""
    rooms = set()
    for node in ast.walk(ast.parse(path.read_text())):
        names = []
        if isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom) and node.module:
            names = [node.module] + [f"{node.module}.{alias.name}" for alias in node.names]
        for name in names:
            parts = name.split(".")
            if parts[0] == "fhir_bladder" and len(parts) > 1 and (PACKAGE / parts[1]).is_dir():
                rooms.add(parts[1])
    return rooms


def _room(path: Path) -> str:
    relative = path.relative_to(PACKAGE)
    return relative.parts[0] if len(relative.parts) > 1 else relative.stem


@pytest.mark.parametrize("path", _modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_a_module_imports_only_what_its_room_may(path: Path) -> None:
    room = _room(path)
    if room in ANYTHING:
        if room != "cli":
            assert "cli" not in _imports(path) - {"cli"} or room == "__main__"
        return
    assert _imports(path) <= _allowed(room), f"{room} may import {sorted(_allowed(room))}"


def test_only_cli_and_tests_import_the_sandbox() -> None:
    guilty = [
        str(path.relative_to(PACKAGE))
        for path in _modules()
        if _room(path) not in {"sandbox", "cli"} and "sandbox" in _imports(path)
    ]
    assert guilty == []


@pytest.mark.parametrize("path", _modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_a_module_says_first_which_room_it_is(path: Path) -> None:
    doc = ast.get_docstring(ast.parse(path.read_text())) or ""
    if path.parent == PACKAGE:
        assert doc
    else:
        assert doc.startswith(f"Room `{_room(path)}`"), "the first line names the room and what belongs there"


@pytest.mark.parametrize("path", _modules(), ids=lambda p: str(p.relative_to(PACKAGE)))
def test_only_cli_prints_or_exits(path: Path) -> None:
    if _room(path) in {"cli", "__main__"} or "definitions/build" in str(path):
        return
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, ast.Call):
            called = ast.unparse(node.func)
            assert called not in {"print", "sys.exit", "exit", "quit"}, f"line {node.lineno}: {called}"


def _tracked() -> list[Path]:
    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True, check=False)
    if listed.returncode:
        pytest.skip("not a git checkout")
    return [ROOT / name for name in listed.stdout.splitlines()]


def test_the_top_level_holds_what_it_should() -> None:
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "fhir_bladder", "profiles", "tests", "examples", "docs",
               "LICENSE"}  # fmt: skip
    top = {path.relative_to(ROOT).parts[0] for path in _tracked()}
    assert {name for name in top if not name.startswith(".")} <= allowed


def test_no_machine_path_and_no_registry_host_stands_in_the_tree() -> None:
    machine = re.compile(r"(^|[^A-Za-z0-9_.])/(work|farm)/")
    host = re.compile(r"(https?|index-url)[^ ]*(registry\.|pypi|pythonhosted|npmjs|maven|crates|golang|debian)[^ ]*\.")
    for path in _tracked():
        if (
            path.suffix in {".py", ".md", ".toml", ".json", ".sh", ".java", ".xml", ".js", ".cfg", ""}
            and path.is_file()
        ):
            try:
                text = path.read_text()
            except UnicodeDecodeError:
                continue
            if path == Path(__file__):
                continue
            assert not machine.search(text), path
            if path.name not in {"package-lock.json"} and path.suffix != ".xml":
                assert not host.search(text), path
