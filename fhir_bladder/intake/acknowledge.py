"""Room `intake`: acknowledgements of HL7 v2 messages (chapter 2.9): AA, AE, AR, and CA, CE, CR in enhanced mode."""

from __future__ import annotations

import datetime as dt
import re
import uuid

from fhir_bladder.readers.v2_records import Header

_CLEAN = re.compile(r"[\x00-\x1f\x7f]+")


def wants_answer(header: Header) -> bool:
    """False where the sender asked for no acknowledgement of either kind (MSH-15 and MSH-16 are NE)."""
    return not (header.field(15).strip() == "NE" and header.field(16).strip() == "NE")


def code_for(header: Header, outcome: str) -> str:
    """MSA-1 for an outcome `A`, `E` or `R`: a commit acknowledgement where only that was asked for (PCD-01)."""
    commit = header.field(15).strip() in ("AL", "ER", "SU") and header.field(16).strip() == "NE"
    return ("C" if commit else "A") + outcome


def answer(header: Header, outcome: str, text: str = "", *, now: dt.datetime | None = None) -> bytes:
    """The acknowledgement: MSH, MSA and, where something is wrong, ERR; in the separators of the message.

    outcome: `A` taken, `E` wrong content, `R` not taken. text: for ERR-8, without personal data.
    """
    s = header.separators
    moment = (now or dt.datetime.now(dt.UTC)).strftime("%Y%m%d%H%M%S%z")
    trigger = header.field(9).split(s.component)[1:2]
    kind = s.component.join(["ACK", *trigger, "ACK"] if trigger else ["ACK"])
    encoding = s.component + s.repetition + s.escape + s.subcomponent
    if header.field(2) == encoding + s.truncation:
        encoding += s.truncation
    msh = [
        "MSH", encoding, header.field(5), header.field(6), header.field(3), header.field(4), moment, "", kind,
        uuid.uuid4().hex[:20], header.field(11) or "P", header.field(12) or "2.5.1",
    ]  # fmt: skip
    segments = [s.field.join(msh), s.field.join(["MSA", code_for(header, outcome), header.field(10)])]
    if outcome != "A":
        codes = {"R": "200", "E": "207"}  # table 0357: unsupported message type, application internal error
        words = _escaped(text[:200].encode("ascii", "replace").decode(), header)
        segments.append(s.field.join(["ERR", "", "", codes[outcome], "E", "", "", "", words]))
    # the header's fields were read as Latin-1, byte for byte; they go back the same way
    return ("\r".join(_CLEAN.sub(" ", segment) for segment in segments) + "\r").encode("latin-1", "replace")


def _escaped(text: str, header: Header) -> str:
    s = header.separators
    marks = {s.escape: "E", s.field: "F", s.component: "S", s.subcomponent: "T", s.repetition: "R"}
    return "".join(f"{s.escape}{marks[char]}{s.escape}" if char in marks else char for char in text)
