"""Room `readers`: the exam's status out of OBX-11 of its observations and OBR-25. Imports nothing of ours."""

from __future__ import annotations

from collections.abc import Sequence

# OBX-11 (table 0085) to the record's status: v2-to-FHIR 1.0.0 segment map OBX. R, S and I have no target there; as in
# PCD-01 they are results nobody verified: preliminary. N and O bring no result. B, U and V have no target: no vote.
OBX_STATUS = {
    "F": "final", "C": "corrected", "A": "amended", "P": "preliminary", "R": "preliminary", "S": "preliminary",
    "I": "preliminary", "D": "entered-in-error", "W": "entered-in-error", "X": "cancelled",
}  # fmt: skip
NO_RESULT = {"N", "O"}
# OBR-25 (table 0123), same map; A, Y, Z, M and N have no target. A means "some results": preliminary.
OBR_STATUS = {
    "F": "final", "C": "corrected", "P": "preliminary", "R": "preliminary", "A": "preliminary", "I": "preliminary",
    "O": "preliminary", "S": "preliminary", "X": "cancelled",
}  # fmt: skip


def exam_status(votes: Sequence[str], obr_25: str) -> str:
    """The status of the exam, empty where nothing says one.

    votes: `OBX_STATUS` of each observation, empty where it says nothing. Taken back or without result as a whole: so is
    the exam; taken back in part: it is corrected. OBR-25 speaks where the observations say nothing, and where it says
    less than final.
    """
    said = [vote for vote in votes if vote]
    for whole in ("entered-in-error", "cancelled"):
        if said and all(vote == whole for vote in said):
            return whole
    ranks = ("corrected", "amended", "preliminary")
    if "entered-in-error" in said:
        return "corrected"
    status = next((rank for rank in ranks if rank in said), "final" if said else "")
    return OBR_STATUS.get(obr_25, "") or status if status in ("", "final") else status
