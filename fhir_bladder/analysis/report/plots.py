"""Room `analysis`: the report's plots as SVG, drawn from numbers only, no text of the record in them.

A real time axis, values from 0. Shape says the void state, fill says the status, so that colour is never the only sign:
circle after a void, square before one, diamond not stated; hollow is preliminary. A whisker spans the scans of one
exam, an arrow goes with a comparator, a cross on the axis is an exam without value. Lines join exams of one episode.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

WIDTH, HEIGHT = 720, 250
LEFT, RIGHT, TOP, BOTTOM = 56, 16, 28, 34
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")


@dataclass(frozen=True)
class Dot:
    """One exam of a plot. value None: absent. low, high: of all its scans. number: its row in the table beside."""

    moment: dt.datetime
    value: float | None
    low: float
    high: float
    state: str
    hollow: bool
    comparator: str
    episode: str
    number: int
    label: str


@dataclass(frozen=True)
class Limit:
    """A threshold of a rule that is switched on."""

    value: float
    label: str


def axis_top(values: Sequence[float]) -> tuple[float, float]:
    """Top of an axis from 0 and its step: 1, 2 or 5 times a power of ten, four to eight steps."""
    largest = max([*values, 1.0]) * 1.06
    step = 1.0
    while largest / step > 8:
        for factor in (2.0, 2.5, 2.0):
            step *= factor
            if largest / step <= 8:
                break
    while largest / step < 2.5 and step > 0.01:
        step /= 2
    steps = int(-(-largest // step))
    return steps * step, step


def time_ticks(start: dt.datetime, end: dt.datetime) -> list[tuple[dt.datetime, str]]:
    """Up to eight ticks at round times: hours, days, months or years, as long as the course is."""
    span = (end - start).total_seconds()
    if span <= 2 * 86400:
        hours = next((h for h in (1, 2, 3, 6, 12) if span / 3600 / h <= 8), 12)
        first = start.replace(minute=0, second=0, microsecond=0)
        first -= dt.timedelta(hours=first.hour % hours)
        ticks = [first + dt.timedelta(hours=hours * n) for n in range(20)]
        shown = [t for t in ticks if start <= t <= end]
        return [(t, _clock(t, t == shown[0] or t.hour == 0)) for t in shown]
    if span <= 70 * 86400:
        days = next((d for d in (1, 2, 7, 14) if span / 86400 / d <= 8), 14)
        first = start.replace(hour=0, minute=0, second=0, microsecond=0)
        ticks = [first + dt.timedelta(days=days * n) for n in range(80)]
        return [(t, f"{t.day} {_MONTHS[t.month - 1]}") for t in ticks if start <= t <= end]
    months = next((m for m in (1, 2, 3, 6, 12, 24, 60, 120) if span / 86400 / 30.5 / m <= 8), 240)
    out = []
    year, month = start.year, 1
    while (tick := start.replace(year=year, month=month, day=1, hour=0, minute=0, second=0, microsecond=0)) <= end:
        if tick >= start:
            out.append((tick, f"{_MONTHS[month - 1]} {year}" if months < 12 else str(year)))
        month += months
        year, month = year + (month - 1) // 12, (month - 1) % 12 + 1
    return out


def _clock(moment: dt.datetime, with_day: bool) -> str:
    text = f"{moment:%H:%M}"
    return f"{moment.day} {_MONTHS[moment.month - 1]} {text}" if with_day else text


def course(dots: Sequence[Dot], unit: str, title: str, ident: str, limits: Sequence[Limit] = ()) -> str:
    """The plot of a patient's course as an SVG element. ident: unique in the page."""
    values = [v for dot in dots for v in (dot.value, dot.high) if v is not None] + [limit.value for limit in limits]
    top, step = axis_top(values)
    first, last = min(dot.moment for dot in dots), max(dot.moment for dot in dots)
    pad = max((last - first) * 0.04, dt.timedelta(minutes=45))
    start, end = first - pad, last + pad
    scale = _Scale(start, end, top)
    out = [
        f'<svg class="plot" viewBox="0 0 {WIDTH} {HEIGHT}" role="img" aria-labelledby="{ident}-t {ident}-d">',
        f'<title id="{ident}-t">{escape(title)}</title>',
        f'<desc id="{ident}-d">{escape(_described(dots, unit))}</desc>',
        *_frame(scale, step, unit, time_ticks(start, end)),
    ]
    for limit in limits:
        y = scale.y(limit.value)
        out.append(f'<line class="limit" x1="{LEFT}" x2="{WIDTH - RIGHT}" y1="{y}" y2="{y}"/>')
        out.append(f'<text class="limit-text" x="{WIDTH - RIGHT - 4}" y="{y - 4}">{escape(limit.label)}</text>')
    out += _joins(dots, scale)
    for dot in dots:
        out += _mark(dot, scale)
    out.append("</svg>")
    return "".join(out)


@dataclass(frozen=True)
class _Scale:
    start: dt.datetime
    end: dt.datetime
    top: float

    def x(self, moment: dt.datetime) -> float:
        share = (moment - self.start) / (self.end - self.start)
        return round(LEFT + share * (WIDTH - LEFT - RIGHT), 1)

    def y(self, value: float) -> float:
        return round(HEIGHT - BOTTOM - min(value, self.top) / self.top * (HEIGHT - TOP - BOTTOM), 1)


def _described(dots: Sequence[Dot], unit: str) -> str:
    known = [dot for dot in dots if dot.value is not None]
    if not known:
        return f"{len(dots)} exams, none with a value. The table below holds them."
    last = known[-1]
    return (
        f"{len(dots)} exams from {_day(dots[0].moment)} to {_day(dots[-1].moment)}. "
        f"Last value {last.comparator}{last.value:g} {unit}. The table below holds every value."
    )


def _day(moment: dt.datetime) -> str:
    return f"{moment.day} {_MONTHS[moment.month - 1]} {moment.year}"


def _frame(scale: _Scale, step: float, unit: str, ticks: Sequence[tuple[dt.datetime, str]]) -> list[str]:
    out = []
    base, right = HEIGHT - BOTTOM, WIDTH - RIGHT
    for number in range(round(scale.top / step) + 1):
        y = scale.y(number * step)
        out.append(f'<line class="{"axis" if number == 0 else "grid"}" x1="{LEFT}" x2="{right}" y1="{y}" y2="{y}"/>')
        out.append(f'<text class="tick-y" x="{LEFT - 7}" y="{y + 4}">{number * step:g}</text>')
    out.append(f'<text class="unit" x="{LEFT - 7}" y="12">{escape(unit)}</text>')
    for moment, text in ticks:
        x = scale.x(moment)
        out.append(f'<line class="axis" x1="{x}" x2="{x}" y1="{base}" y2="{base + 5}"/>')
        out.append(f'<text class="tick-x" x="{x}" y="{base + 20}">{text}</text>')
    return out


def _joins(dots: Sequence[Dot], scale: _Scale) -> list[str]:
    out = []
    episodes: dict[str, list[Dot]] = {}
    for dot in dots:
        if dot.episode and dot.value is not None:
            episodes.setdefault(f"{dot.episode} {dot.state}", []).append(dot)
    for group in episodes.values():
        points = " ".join(f"{scale.x(dot.moment)},{scale.y(dot.value or 0.0)}" for dot in group)
        if len(group) > 1:
            out.append(f'<polyline class="join" points="{points}"/>')
    return out


def _mark(dot: Dot, scale: _Scale) -> list[str]:
    x = scale.x(dot.moment)
    hint = f"<title>{escape(dot.label)}</title>"
    if dot.value is None:
        y = float(HEIGHT - BOTTOM)
        path = f"M{x - 5},{y - 5}L{x + 5},{y + 5}M{x - 5},{y + 5}L{x + 5},{y - 5}"
        return [f'<g class="absent">{hint}<path d="{path}"/></g>']
    y = scale.y(dot.value)
    kind = dot.state + (" hollow" if dot.hollow else "")
    out = [f'<g class="dot {kind}">{hint}']
    if dot.high > dot.low:
        low, high = scale.y(dot.low), scale.y(dot.high)
        ends = "".join(f"M{x - 4},{end}L{x + 4},{end}" for end in (low, high))
        out.append(f'<path class="whisker" d="M{x},{low}L{x},{high}{ends}"/>')
    if dot.comparator:
        tip = y - 18 if dot.comparator[0] == ">" else y + 18
        wing = tip + 5 if dot.comparator[0] == ">" else tip - 5
        out.append(f'<path class="arrow" d="M{x},{y}L{x},{tip}M{x - 4},{wing}L{x},{tip}L{x + 4},{wing}"/>')
    if dot.state == "post-void":
        out.append(f'<circle cx="{x}" cy="{y}" r="5.5"/>')
    elif dot.state == "pre-void":
        out.append(f'<rect x="{x - 5}" y="{y - 5}" width="10" height="10"/>')
    else:
        out.append(f'<path class="shape" d="M{x},{y - 7}L{x + 7},{y}L{x},{y + 7}L{x - 7},{y}Z"/>')
    out.append("</g>")
    return out


def flow(steps: Sequence[tuple[str, int]], ident: str) -> str:
    """Bars of a flow, each a share of the first; the numbers stand in the table beside."""
    row, width = 30, 720
    total = max(steps[0][1], 1) if steps else 1
    height = row * len(steps) + 8
    out = [f'<svg class="plot flow" viewBox="0 0 {width} {height}" role="img" aria-labelledby="{ident}-t">']
    out.append(f'<title id="{ident}-t">Flow of exams, {escape(", ".join(f"{name} {n}" for name, n in steps))}</title>')
    for number, (name, count) in enumerate(steps):
        y = 4 + number * row
        length = round((width - 300) * min(count / total, 1.0), 1)
        out.append(f'<text class="bar-name" x="150" y="{y + 18}">{escape(name)}</text>')
        out.append(f'<rect class="bar-rest" x="160" y="{y + 4}" width="{width - 300}" height="20"/>')
        out.append(f'<rect class="bar" x="160" y="{y + 4}" width="{length}" height="20"/>')
        out.append(f'<text class="bar-count" x="{width - 130}" y="{y + 18}">{count} of {total}</text>')
    out.append("</svg>")
    return "".join(out)
