"""Room `intake`: the boundaries between which a listener may be killed. Tests trace them; they do nothing else."""

from __future__ import annotations

from collections.abc import Callable

POINTS = (
    "message-received", "message-read", "before-commit", "committed", "before-answer", "answered",
    "file-found", "file-read", "file-committed", "why-written", "file-moved",
)  # fmt: skip
"""Every boundary, in the order a message and a file pass them."""


def _nothing(_point: str) -> None:
    return


hook: Callable[[str], None] = _nothing
"""Called at each boundary; a test sets it before it starts a listener."""


def reached(point: str) -> None:
    """Say that a boundary is reached."""
    hook(point)
