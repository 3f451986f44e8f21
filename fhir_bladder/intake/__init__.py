"""Room `intake`: unattended listeners (MLLP, watched folders). May import readers, exchange."""

from __future__ import annotations

from fhir_bladder.intake.commit import Committer
from fhir_bladder.intake.folder import Folder
from fhir_bladder.intake.listener import Event, Listener, ListenOptions
from fhir_bladder.intake.mllp import tls_context
from fhir_bladder.intake.status import Alert, Limits

__all__ = [
    "Alert",
    "Committer",
    "Event",
    "Folder",
    "Limits",
    "ListenOptions",
    "Listener",
    "tls_context",
]
