"""`python -m fhir_bladder` and the console script: hands over to the command line."""

from __future__ import annotations


def main() -> None:
    """Run the command line and leave with its exit code."""
    from fhir_bladder.cli.main import run

    run()


if __name__ == "__main__":
    main()
