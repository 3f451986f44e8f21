"""Run by the crash tests: a listener that kills itself at a boundary. Arguments: folder, point, occurrence.

Prints the port; then every boundary it reaches, so that a run without a kill traces them all.
"""

from __future__ import annotations

import os
import signal
import sys
from pathlib import Path

from fhir_bladder.exchange.outbox import Outbox
from fhir_bladder.exchange.push.prepare import Preparer
from fhir_bladder.intake import Listener, ListenOptions, boundaries
from fhir_bladder.intake.listener import Event
from fhir_bladder.mapping import MapOptions
from fhir_bladder.readers import ReadOptions

TARGET = "http://127.0.0.1:1/fhir"


def main(folder: Path, point: str, occurrence: int) -> None:
    seen: dict[str, int] = {}

    def hook(name: str) -> None:
        seen[name] = seen.get(name, 0) + 1
        os.write(1, f"{name}\n".encode())  # one write: threads must not mix their lines
        if name == point and seen[name] == occurrence:
            os.kill(os.getpid(), signal.SIGKILL)

    boundaries.hook = hook
    outbox = Outbox(folder / "outbox.sqlite")

    commit = Outbox._commit  # the one place where anything becomes durable: right before it is a boundary too

    def traced(self: Outbox) -> None:
        hook("in-transaction")
        commit(self)

    Outbox._commit = traced  # type: ignore[method-assign]

    def told(event: Event) -> None:
        if event.kind == "listening":
            os.write(1, f"PORT {event.text.split(':')[1].split()[0]}\n".encode())

    options = ListenOptions(mllp="127.0.0.1:0", folders=[folder / "in"], settle=0.05)
    Listener(
        outbox, TARGET, Preparer(MapOptions(as_="bundles"), None, local=True), ReadOptions(v2_map=folder / "map.toml"),
        options, on_event=told,
    ).run()  # fmt: skip


if __name__ == "__main__":
    main(Path(sys.argv[1]), sys.argv[2], int(sys.argv[3]))
