"""Room `exchange`: limits on what comes from outside, and the bounded gunzip that enforces them while streaming."""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from fhir_bladder import wire
from fhir_bladder.errors import ServerError


class LimitError(ServerError):
    """What the server sends passes a limit."""


class BrokenBodyError(ServerError):
    """The body ends early or is not what its headers say."""


@dataclass(frozen=True, slots=True)
class Limits:
    """bytes of one JSON answer, of one NDJSON line and of one file (decoded); JSON nesting; Bundle entries; pages.

    `ratio`: decoded bytes per compressed byte, judged above 1 MiB. FHIR NDJSON packs about 10 to 60 fold; gzip's
    ceiling is near 1,030 (zlib documentation). The other values are ours.
    """

    bytes: int = wire.MAX_BYTES
    line: int = wire.MAX_LINE
    depth: int = wire.MAX_DEPTH
    file: int = 64 * 1024**3
    entries: int = 100_000
    pages: int = 1_000_000
    ratio: int = 400


_FREE = 1024 * 1024
_PIECE = 256 * 1024


def decoded(chunks: Iterable[bytes], encoding: str, *, most: int, ratio: int) -> Iterator[bytes]:
    """The chunks with their content coding undone, never more than 256 KiB of output at a time.

    encoding: value of Content-Encoding; gzip and identity are taken, as asked for. Raises LimitError above `most`
    decoded bytes or above the ratio, BrokenBodyError where gzip ends early, is damaged or another coding was used.
    """
    encoding = encoding.strip().lower()
    total = 0
    if encoding in ("", "identity"):
        for chunk in chunks:
            total += len(chunk)
            _check(total, most)
            yield chunk
        return
    if encoding not in ("gzip", "x-gzip"):
        raise BrokenBodyError("the server used a content coding we did not ask for", "", "ask its operator for gzip")
    packed, unzip, started = 0, zlib.decompressobj(wbits=31), False
    for chunk in chunks:
        packed += len(chunk)
        started = started or bool(chunk)
        while chunk:
            if unzip.eof:  # gzip members may follow one another (RFC 1952 section 2.2)
                unzip = zlib.decompressobj(wbits=31)
            try:
                piece = unzip.decompress(chunk, _PIECE)
            except zlib.error:
                raise BrokenBodyError(
                    "a gzip body is damaged", "", "run again; if it stays, ask the operator"
                ) from None
            chunk = unzip.unused_data if unzip.eof else unzip.unconsumed_tail
            total += len(piece)
            _check(total, most)
            if total > _FREE and total > packed * ratio:
                raise LimitError(f"a gzip body unpacks more than {ratio}-fold", "", "it looks like an attack: ask why")
            if piece:
                yield piece
    if started and not unzip.eof:
        rest = unzip.flush()  # output that stood behind the last full piece
        _check(total + len(rest), most)
        if rest:
            yield rest
    if started and not unzip.eof:
        raise BrokenBodyError("a gzip body ends early", "", "run again")


def _check(total: int, most: int) -> None:
    if total > most:
        raise LimitError(f"the server sends more than {most:,} bytes in one piece", "", "ask for less in one request")
