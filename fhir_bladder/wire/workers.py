"""Room `wire`: processes that work for another one. May import nothing of ours."""

from __future__ import annotations

import multiprocessing
import multiprocessing.connection
import os
import signal
import threading


def attend() -> None:
    """What a worker does first: Ctrl-C is the other's to answer, SIGTERM ends it, and it ends when the other ends.

    Without the last, the workers of a process that was killed would wait for work for ever.
    """
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_DFL)
    parent = multiprocessing.parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.sentinel,), daemon=True).start()


def _end_with(sentinel: int) -> None:
    multiprocessing.connection.wait([sentinel])
    os._exit(1)
