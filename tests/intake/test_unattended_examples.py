"""The examples for unattended use name only options that `listen` has."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[2] / "examples" / "unattended"


@pytest.mark.parametrize("name", ["fhir-bladder.service", "crontab"])
def test_options_exist(name: str) -> None:
    from fhir_bladder.cli.listen import command

    known = {option for parameter in command.params for option in parameter.opts}
    text = (FOLDER / name).read_text(encoding="utf-8")
    used = set(re.findall(r"(?<=\s)--[a-z0-9-]+", text)) - {"--now"}  # --now is systemctl's
    assert used and used <= known, used - known
    assert "fhir-bladder listen" in text
