"""Room `measurement`: which scan is the result (exam record, "Which scan is the result"). May import exam.

Order: the stated scan; the stated rule; the only scan; the last one centred and free of pubic shadow; none.
"""

from __future__ import annotations

from collections.abc import Sequence
from decimal import ROUND_HALF_EVEN, Context, Decimal, InvalidOperation
from typing import NamedTuple

from fhir_bladder.exam import ExamRecord
from fhir_bladder.exam.model import Scan

HOW = ("stated", "last", "largest", "median", "mean", "only", "last-clear", "none")
"""How a result came about. `median` and `mean` are calculated values without a scan of their own."""

NONE_CHOSEN = "several scans, none chosen"
_WIDE = Context(prec=100)
_INFINITE = Decimal("Infinity")


class Choice(NamedTuple):
    """The result of an exam.

    how: one of HOW. scan: the scan that is the result, None for a median, a mean or none. value: its volume in mL,
    None where the scan has none or none was chosen. comparator: of the value. text: in words, stands alone.
    note: what a person should know of the way it was chosen, else empty.
    """

    how: str
    scan: Scan | None
    value: Decimal | None
    text: str
    comparator: str | None = None
    note: str = ""


def place_of(scan: Scan, scans: Sequence[Scan]) -> str:
    """`2 of 3`; the number alone where fewer scans came than were counted."""
    number, total = scan.scan_number, len(scans)
    return f"{number} of {total}" if number <= total else str(number)


def choose(record: ExamRecord) -> Choice:
    """Which scan is the result; never raises on a record that the model accepts."""
    scans = record.scans
    if record.reported_scan is not None:
        scan = next(scan for scan in scans if scan.scan_number == record.reported_scan)  # the model has seen to it
        return _of("stated", scan, f"scan {place_of(scan, scans)}, stated as the result")
    rule = record.choice_rule
    if rule is not None and rule != "operator":
        return _by_rule(rule, scans)
    if len(scans) == 1:
        return _of("only", scans[0], "the only scan")
    clear = [scan for scan in scans if scan.centring == "centred" and scan.pubic_shadow is False]
    if clear:
        scan = max(clear, key=_number)
        text = f"scan {place_of(scan, scans)}, the last one centred and free of pubic shadow"
        return _of("last-clear", scan, text, "no scan was stated as the result; " + text)
    return _none(NONE_CHOSEN)


def _by_rule(rule: str, scans: tuple[Scan, ...]) -> Choice:
    if rule == "last":
        scan = max(scans, key=_number)
        return _of("last", scan, f"scan {place_of(scan, scans)}, the last")
    with_volume = [scan for scan in scans if scan.volume is not None]
    if not with_volume:
        if len(scans) == 1:
            return _of("only", scans[0], "the only scan")
        return _none(f"no scan has a volume to take the {rule} of")
    if rule == "largest":
        largest = _largest(with_volume)
        if largest is None:
            return _none("several scans, the largest cannot be told where one carries a comparator")
        return _of("largest", largest, f"scan {place_of(largest, scans)}, the largest")
    values = [scan.volume.canonical for scan in with_volume if scan.volume is not None]  # no comparator among them
    try:
        value = median(values) if rule == "median" else mean(values)
    except InvalidOperation:
        return _none(f"no {rule} can be taken of values with so many digits")
    return Choice(rule, None, value, f"{rule} of {_listed(with_volume)}")


def _of(how: str, scan: Scan, text: str, note: str = "") -> Choice:
    volume = scan.volume
    if volume is None:
        return Choice(how, scan, None, text, None, note)
    value = volume.value if volume.unit == "mL" else volume.canonical
    return Choice(how, scan, value, text, volume.comparator, note)


def _none(text: str) -> Choice:
    return Choice("none", None, None, text, None, text)


def _number(scan: Scan) -> int:
    return scan.scan_number


def _listed(scans: list[Scan]) -> str:
    numbers = [str(scan.scan_number) for scan in scans]
    return f"scan {numbers[0]}" if len(numbers) == 1 else f"scans {', '.join(numbers[:-1])} and {numbers[-1]}"


def bounds(value: Decimal, comparator: str | None) -> tuple[Decimal, Decimal]:
    """What a volume with a comparator can be: at least and at most; `<` starts at 0, `>` has no upper end."""
    if comparator is None:
        return value, value
    return (value, _INFINITE) if comparator == ">" else (min(value, Decimal(0)), value)


def _largest(scans: list[Scan]) -> Scan | None:
    """The scan that is surely the largest, the later one of equals; else one whose `>` is true of the largest."""
    spans = []
    for scan in scans:
        assert scan.volume is not None
        spans.append((scan, *bounds(scan.volume.canonical, scan.volume.comparator)))
    greatest_low = max(low for _, low, _ in spans)
    for scan, low, high in sorted(spans, key=lambda span: span[0].scan_number, reverse=True):
        others_high = max((span[2] for span in spans if span[0] is not scan), default=low)
        if low >= others_high or (high == _INFINITE and low >= greatest_low):
            return scan
    return None


def median(values: list[Decimal]) -> Decimal:
    """The middle value, of an even number the mean of the two in the middle; exact. IndexError without values."""
    ordered = sorted(values)
    middle = len(ordered) // 2
    return ordered[middle] if len(ordered) % 2 else mean(ordered[middle - 1 : middle + 1])


def mean(values: list[Decimal]) -> Decimal:
    """The arithmetic mean: sum and division exact, then rounded once to one decimal more than the finest value.

    Zeros that only the division adds are left off: the mean of 171 and 187 is 179, of 171 and 186 is 178.5.
    """
    finest = min(min(_exponent(value) for value in values), 0)
    total = values[0]
    for value in values[1:]:
        total = _WIDE.add(total, value)
    rounded = _WIDE.divide(total, len(values)).quantize(Decimal(1).scaleb(finest - 1), ROUND_HALF_EVEN, _WIDE)
    shorter = rounded.quantize(Decimal(1).scaleb(finest), ROUND_HALF_EVEN, _WIDE)
    return shorter if shorter == rounded else rounded


def _exponent(value: Decimal) -> int:
    exponent = value.as_tuple().exponent
    assert isinstance(exponent, int)
    return exponent
