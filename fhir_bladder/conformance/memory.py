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
TURN = 250
REST = 5000
WORTH = 4
"""Values kept at most, and bytes of one at most. After TURN values that are not known it is weighed whether looking up
pays: a judgement takes about WORTH times as long. Where it does not, REST values pass unasked."""

_text = orjson.dumps


def remembered(accept: Callable[[Any, Context], int]) -> Callable[[Any, Context], int]:
    """The same answers, faster for values that repeat; where they do not, looking them up is given up for a while."""
    good: set[bytes] = set()
    hits = news = rest = 0

    def judge(value: Any, context: Context) -> int:
        nonlocal hits, news, rest
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
            if len(good) >= ROOM:
                good.clear()
            good.add(key)
        news += 1
        if news >= TURN:
            rest = 0 if WORTH * hits >= news else REST
            hits = news = 0
        context.asked |= asked
        return answer

    return judge
