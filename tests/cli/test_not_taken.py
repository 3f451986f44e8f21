"""What HL7 v2 messages hold and no field takes is told by `map` too, not only in a findings file."""

from __future__ import annotations

from pathlib import Path

from click.testing import CliRunner

from fhir_bladder.cli.main import cli

EXAMPLES = Path(__file__).parents[2] / "examples" / "hl7v2"


def test_map_tells_the_codes_that_fill_nothing(tmp_path: Path) -> None:
    result = CliRunner().invoke(
        cli, ["map", str(EXAMPLES / "own-codes.hl7"), "--v2-map", str(EXAMPLES / "map.toml"), "-o", str(tmp_path / "o")]
    )
    (line,) = [line for line in result.output.splitlines() if line.startswith("note: not taken")]
    assert "code '71009' of '99RIVO' fills no field (1×)" in line and "--v2-map" in line


def test_nothing_is_told_where_all_is_taken(tmp_path: Path) -> None:
    message = (EXAMPLES / "corrections.hl7").read_bytes()
    (tmp_path / "x.hl7").write_bytes(message)
    result = CliRunner().invoke(cli, ["map", str(tmp_path / "x.hl7"), "-o", str(tmp_path / "o")])
    assert "not taken" not in result.output, result.output
