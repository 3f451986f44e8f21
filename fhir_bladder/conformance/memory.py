"""Room `conformance`: answers kept for equal values. Belongs here: when an answer may be kept, and when to stop trying.

A value is told by its JSON text, so 1, 1.0, "1" and true stay apart and equal objects in another order are judged
anew. Only a yes is kept, and only where the judgement looked at nothing but the value (`Context.asked`).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import orjson

from fhir_bladder.conformance.invariants import Context

ROOM = 2000
LONGEST = 2000
REST = 20_000
WORTH = 3
"""Values kept at most, bytes of one at most, how many values pass unasked where too few of them repeat, and how many
known ones to one new are enough."""

_text = orjson.dumps


def remembered(accept: Callable[[Any, Context], int]) -> Callable[[Any, Context], int]:
    """The same answers, faster for values that repeat; where they do not, looking them up is given up for a while."""
    good: set[bytes] = set()
    hits = rest = 0

    def judge(value: Any, context: Context) -> int:
        nonlocal hits, rest
        if rest:
            rest -= 1
            return accept(value, context)
        try:
            key = _text(value)
        except TypeError:  # a number that JSON text of this writer cannot carry exactly
            return accept(value, context)
        if key in good:
            hits += 1
            return 1
        asked, context.asked = context.asked, 0
        answer = accept(value, context)
        if answer and not context.asked and len(key) <= LONGEST:
            good.add(key)
            if len(good) >= ROOM:
                good.clear()
                rest = 0 if hits >= WORTH * ROOM else REST
                hits = 0
        context.asked |= asked
        return answer

    return judge
