"""Every `console` block of the README is run, in order, in a copy of `examples`, and its output compared.

`…` in an expected line stands for any text, a line of `…` alone for any lines; port 8080 is an embedded server.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from decimal import Decimal
from pathlib import Path

import pytest

from fhir_bladder.measurement.geometry import sphere_area
from fhir_bladder.measurement.mass import area_thickness_mass, shell_mass

ROOT = Path(__file__).parent.parent
SERVER = "http://127.0.0.1:8080/fhir"
PAGES = ["README.md"]


def _steps(text: str) -> list[tuple[str, str]]:
    """(command, expected output) of every console block, in order."""
    steps = []
    for block in re.findall(r"^```console\n(.*?)^```", text, re.DOTALL | re.MULTILINE):
        for piece in re.split(r"^\$ ", block, flags=re.MULTILINE)[1:]:
            command, _, output = piece.partition("\n")
            steps.append((command, output))
    return steps


def _pattern(expected: str) -> str:
    lines = [
        r"(?:.*\n)*?" if line == "…" else r".*?".join(map(re.escape, line.split("…"))) + r"\n"
        for line in expected.splitlines()
    ]
    return "".join(lines)


@pytest.mark.parametrize("page", PAGES)
def test_the_page_says_what_the_commands_say(page: str, tmp_path: Path) -> None:
    pytest.importorskip("sekmet", reason="the examples need the extra `demo`")
    from fhir_bladder.sandbox.embedded import embedded_server

    folder = tmp_path / "examples"
    shutil.copytree(ROOT / "examples", folder)
    environment = {name: value for name, value in os.environ.items() if not name.startswith("FHIR_BLADDER_")}
    environment["PATH"] = f"{Path(sys.executable).parent}{os.pathsep}{environment['PATH']}"
    steps = _steps((ROOT / page).read_text())
    assert steps
    with embedded_server() as url:
        for command, expected in steps:
            done = subprocess.run(
                ["bash", "-c", command.replace(SERVER, url)], cwd=folder, env=environment, text=True, check=False,
                stdout=subprocess.PIPE, stderr=subprocess.STDOUT, timeout=300,
            )  # fmt: skip
            shown = done.stdout if done.stdout.endswith("\n") or not done.stdout else done.stdout + "\n"
            assert re.fullmatch(_pattern(expected), shown), f"$ {command}\n{shown}"


@pytest.mark.parametrize(
    "page", ["README.md", "DEVELOPERS.md", *(f"docs/{one.name}" for one in sorted((ROOT / "docs").glob("*.md")))]
)
def test_every_link_leads_somewhere(page: str) -> None:
    """To a file that is there and, behind #, to a heading of it. Links to the web are left out: tests are offline."""
    for target in re.findall(r"\]\(([^)\s]+)\)", (ROOT / page).read_text()):
        if "://" in target:
            continue
        path, _, heading = target.partition("#")
        file = (ROOT / page).parent / path if path else ROOT / page
        assert file.exists(), f"{page}: {target}"
        if heading:
            headings = re.findall(r"^#+ (.+)$", file.read_text(), re.MULTILINE)
            assert heading in {_anchor(one) for one in headings}, f"{page}: {target}"


def test_the_models_of_bladder_weight_differ_as_the_readme_says() -> None:
    said = re.search(
        r"differ by (\d+) to (\d+) % \(walls of ([\d.]+) to ([\d.]+) mm at (\d+) to (\d+) mL",
        (ROOT / "README.md").read_text(),
    )
    assert said
    least, most, thin, thick, low, high = map(float, said.groups())
    differences = [
        100 * (shell_mass(volume, wall, 1) / float(area_thickness_mass(Decimal(area), Decimal(wall), Decimal(1))) - 1)
        for volume, area in ((volume, sphere_area(volume)) for volume in (low, high))
        for wall in (thin, thick)
    ]
    assert (round(min(differences)), round(max(differences))) == (least, most)


def test_every_page_is_linked_from_the_readme() -> None:
    text = (ROOT / "README.md").read_text()
    assert {one.name for one in (ROOT / "docs").iterdir() if f"(docs/{one.name})" not in text} == set()


def _anchor(heading: str) -> str:
    """As code hosts name headings."""
    return re.sub(r"[^\w -]", "", heading.lower()).replace(" ", "-")
