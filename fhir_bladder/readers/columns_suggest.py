"""Room `readers`: a column map to start from, written from a sheet's header and a sample. May import exam.

Names of columns are matched with words people use (common practice, no source); what is not certain is written as a
comment, a unit only where the header or the cells say it.
"""

from __future__ import annotations

import datetime as dt
import json
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from fhir_bladder.errors import InputError
from fhir_bladder.readers import csv_files, xlsx_files
from fhir_bladder.readers.fields import field_at
from fhir_bladder.terminology import units
from fhir_bladder.wire import files

SAMPLE = 200

# Field path and the words in a column's name that point to it; the first that fits wins. Whole words or word starts.
_WORDS: tuple[tuple[str, str], ...] = (
    ("scans.0.scan_number", r"scan (no|nr|num|number|#)|^scan$|^repeat$|^messung( nr)?$|^aufnahme$"),
    ("exam_number", r"exam (no|nr|num|number|id)|^exam$|^no$|^nr$|^number$|^id$|study (no|id)|untersuchung"),
    ("device.serial", r"serial|^device$|^unit id$|seriennummer|^gerät|^geraet|^scanner$"),
    ("device.software_version", r"software|firmware|^version"),
    ("patient.identifiers.0.value", r"mrn|patient (id|no|nr|number)|chart|record no|^akte|patientennummer|^patient$"),
    ("patient.birth_date", r"birth|^dob$|^geb|geburt"),
    ("patient.administrative_gender", r"^sex$|gender|geschlecht"),
    ("patient.family_name", r"family|surname|last name|nachname"),
    ("patient.given_names.0", r"given|first name|vorname"),
    ("voided_volume", r"voided|void vol|miktionsvolumen|^menge$"),
    ("voided_at", r"(void|miktion)\w* (at|time|um)"),
    ("catheterised_volume", r"cath\w* (vol|ml)|drained"),
    ("void_state", r"pre.?post|void state|^when$|^state$|^zustand$|timing"),
    ("uterus_present", r"uterus"),
    ("scans.0.volume", r"bladder vol|^vol|volumen?$|^pvr|residual|restharn"),
    ("scans.0.centring", r"cent(re|er)|zentr"),
    ("scans.0.pubic_shadow", r"shadow|schatten"),
    ("wall.caliper_thickness", r"calip\w* (wall|thick)|thick\w* calip"),
    ("wall.thickness", r"wall|thickness|^bwt|^dwt|wanddicke|^wand"),
    ("wall.surface_area", r"surface|^area|fläche|flaeche"),
    ("wall.mass", r"weight|mass|uebw|gewicht"),
    ("wall.probe_frequency", r"probe|frequen"),
    ("operator.display", r"operator|^user|nurse|prüfer|pruefer|untersucher"),
    ("location", r"ward|room|location|station"),
    ("position", r"position|lage"),
    ("status", r"^status$"),
    ("reason", r"reason|indication|grund"),
)
_DATES = re.compile(r"^date$|^day$|exam date|^datum|^tag$|^start", re.IGNORECASE)
_TIMES = re.compile(r"^time$|^hour|exam time|^uhrzeit|^zeit$", re.IGNORECASE)
_FORMATS = (
    "%Y-%m-%dT%H:%M:%S%z", "%Y-%m-%d %H:%M:%S", "%Y-%m-%d %H:%M", "%d.%m.%Y %H:%M:%S", "%d.%m.%Y %H:%M",
    "%d/%m/%Y %H:%M:%S", "%d/%m/%Y %H:%M", "%m/%d/%Y %H:%M:%S", "%m/%d/%Y %H:%M", "%d-%m-%Y %H:%M", "%Y%m%d %H%M",
    "%Y%m%d%H%M%S", "%d.%m.%y %H:%M",
)  # fmt: skip
_ISO = "ISO 8601"
_NUMBER = re.compile(r"[<>]?\s*\d+(?:([.,])\d+)?\s*([A-Za-zµμ²³0-9^]+)?\Z")


@dataclass(slots=True)
class Sheet:
    """Header and sample of a file: cells as texts."""

    header: list[str]
    rows: list[list[str]]
    delimiter: str = ""
    encoding: str = ""
    typed_times: bool = False

    def column(self, name: str) -> list[str]:
        """Non-empty cells of a column, each once, in order."""
        position = self.header.index(name)
        found = (row[position].strip() for row in self.rows if position < len(row))
        return list(dict.fromkeys(cell for cell in found if cell))


@dataclass(slots=True)
class _Draft:
    mapped: dict[str, str] = field(default_factory=dict)
    doubts: list[str] = field(default_factory=list)


def suggest(path: str | Path) -> str:
    """A commented TOML map for a sheet; lines that need a person start with `# ?`. Raises InputError."""
    sheet = sample(path)
    draft = _Draft()
    started = _started(sheet)
    taken = set(started[0]) if started else set()
    for name in sheet.header:
        if name in taken or not name:
            continue
        free = ((path, words) for path, words in _WORDS if path not in draft.mapped)
        target = next((path for path, words in free if re.search(words, _plain(name))), "")
        if target:
            draft.mapped[target] = name
            taken.add(name)
    rest = [name for name in sheet.header if name and name not in taken]
    text = "\n".join(_lines(re.sub(r"[\x00-\x1f\x7f]", "?", Path(path).name), sheet, draft, started, rest)) + "\n"
    return text.encode("utf-8", "replace").decode()  # bytes that are of no encoding were kept as surrogates


def sample(path: str | Path) -> Sheet:
    """Header and first rows of a CSV, TSV or XLSX file. Raises InputError."""
    with files.open_stream(path) as stream:
        head = stream.peek(4)[:4] if hasattr(stream, "peek") else b""
        if head.startswith(b"PK\x03\x04"):
            return _sample_xlsx(str(path), stream)
        data = stream.read(1 << 22)
    if not data.strip():
        raise InputError("the file is empty", str(path), "give a sheet with a header and some rows")
    if data.lstrip(b"\xef\xbb\xbf \r\n\t")[:1] in (b"{", b"["):
        raise InputError("it is JSON, no sheet", str(path), "records in JSON need no column map")
    encoding = _encoding(data)
    if "\0" in data[:1000].decode(encoding, "replace"):
        raise InputError("it is no text", str(path), "give a sheet as CSV, TSV or XLSX")
    lines = csv_files.decode(str(path), data, encoding)
    delimiter = max(csv_files.GUESSES, key=lambda guess: lines[0].count(guess))
    header = [cell.strip() for cell in next(iter(csv_files.parsed([lines[0]], delimiter)), [])]
    rows = []
    for row in csv_files.read_rows(lines, 1, delimiter, len(header), encoding):
        if row.trouble is None:
            rows.append(row.cells)
        if len(rows) >= SAMPLE:
            break
    return Sheet(header, rows, delimiter, encoding)


def _sample_xlsx(file: str, stream: Any) -> Sheet:
    header: list[str] = []
    rows: list[list[str]] = []
    typed = False
    for _, cells in xlsx_files.read_rows(file, stream):
        if not header:
            header = ["" if cell is None else str(cell).strip() for cell in cells]
            continue
        typed = typed or any(isinstance(cell, dt.datetime | dt.time) for cell in cells)
        rows.append(["" if cell is None else str(cell) for cell in cells])
        if len(rows) >= SAMPLE:
            break
    if not header:
        raise InputError("the sheet is empty", file, "give a sheet with a header and some rows")
    return Sheet(header, rows, typed_times=typed)


def _encoding(data: bytes) -> str:
    if data[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return "utf-16"
    try:
        data.decode("utf-8")
    except UnicodeDecodeError as error:
        return "utf-8" if error.start >= len(data) - 4 and len(data) >= 1 << 22 else "cp1252"
    return "utf-8"


def _plain(name: str) -> str:
    """A column's name for matching: lower case, without unit in brackets, separators as blanks."""
    return re.sub(r"[\s_\-./]+", " ", re.sub(r"[(\[].*?[)\]]", "", name)).strip().lower()


def _started(sheet: Sheet) -> tuple[list[str], str, bool] | None:
    """Columns of started_at, date_format, and whether another format fits as well."""
    dates = [name for name in sheet.header if _DATES.search(_plain(name))]
    times = [name for name in sheet.header if _TIMES.search(_plain(name))]
    guess = [] if dates or times else [name for name in sheet.header if name and _holds_times(name, sheet)]
    for names in ([dates[0], times[0]] if dates and times else [], dates[:1], times[:1], guess[:1]):
        if not names or (len(names) == 1 and dates and times):
            continue
        if sheet.typed_times:
            return names, "%d.%m.%Y %H:%M", False
        positions = [sheet.header.index(name) for name in names]
        parts = [[row[p].strip() for p in positions] for row in sheet.rows]
        texts = [" ".join(part) for part in parts if all(part)]
        if texts and all(_is_iso(text) for text in texts):
            return names, _ISO, False
        counts = {form: sum(_fits(text, form) for text in texts) for form in _FORMATS}
        most = max(counts.values())
        fitting = [form for form in _FORMATS if counts[form] == most > len(texts) / 2]  # a slip or two may be in it
        return names, fitting[0] if fitting else "", len(fitting) > 1
    return None


def _is_iso(text: str) -> bool:
    """ISO 8601 with a time of day, which is read without date_format."""
    try:
        dt.datetime.fromisoformat(text)
    except ValueError:
        return False
    return len(text) >= 16 and text[10] == "T"


def _holds_times(name: str, sheet: Sheet) -> bool:
    """Whether the cells of a column, whatever its name, are times of a day."""
    if re.search(r"void|miktion|birth|geb|verif", _plain(name)):
        return False
    cells = sheet.column(name)
    fit = sum(_is_iso(cell) or any(_fits(cell, form) for form in _FORMATS) for cell in cells)
    return fit > len(cells) / 2


def _fits(text: str, date_format: str) -> bool:
    try:
        dt.datetime.strptime(text, date_format)
    except ValueError:
        return False
    return True


def _lines(
    file: str, sheet: Sheet, draft: _Draft, started: tuple[list[str], str, bool] | None, rest: Sequence[str]
) -> Iterator[str]:
    yield f"# Column map for {file}, a draft to be checked: lines marked `# ?` need a person who knows the device."
    yield f"# fhir-bladder columns check THIS.toml {file}"
    yield ""
    comment = "" if "exam_number" in draft.mapped else "# ? "
    yield f'{comment}group_by = "exam_number"       # rows with the same number are the scans of one exam'
    if sheet.delimiter:
        yield f"delimiter = {_quoted(sheet.delimiter)}"
    if sheet.encoding == "cp1252":
        yield 'encoding = "cp1252"            # ? some bytes are not UTF-8; cp1252 is a guess, look at the umlauts'
    elif sheet.encoding:
        yield f"encoding = {_quoted(sheet.encoding)}"
    mark, doubt = _decimal_mark(sheet)
    yield f"decimal_mark = {_quoted(mark)}" + (f"             # ? {doubt}" if doubt else "")
    yield '# timezone = "…"               # ? the zone the device\'s clock runs in, such as "Europe/Lisbon"'
    if started and started[1] == _ISO:
        yield "# date_format is not needed: the times are ISO 8601"
    elif started and started[1]:
        doubt = "   # ? day and month could be the other way round" if started[2] else ""
        yield f"date_format = {_quoted(started[1])}{doubt}"
    else:
        yield '# date_format = "…"            # ? no format fits the sample; write it like "%d.%m.%Y %H:%M"'
    yield ""
    yield "[columns]"
    if started:
        names = started[0]
        yield f"started_at = {_quoted(names[0]) if len(names) == 1 else '[' + ', '.join(map(_quoted, names)) + ']'}"
    for path, name in draft.mapped.items():
        yield from _column(path, name, sheet)
    for path in ("exam_number", "device.serial", "void_state", "scans.0.volume", "patient.identifiers.0.value"):
        if path not in draft.mapped:
            yield f'# ? {_key(path)} = "…"     no column looks like it'
    if not started:
        yield '# ? started_at = "…"     no column looks like it'
    for name in rest:
        yield f"# ? column {_quoted(name)} is not used; its cells look like {_shown(sheet.column(name))}"
    yield ""
    yield "[constants]"
    yield '# "patient.identifiers.0.system" = "https://…"     # ? who assigns the patient numbers'
    yield '# void_state = { value = "post-void", confirmed_by = "who, when" }     # ? only if it holds for every row'


def _key(path: str) -> str:
    return path if "." not in path else _quoted(path)


def _column(path: str, name: str, sheet: Sheet) -> Iterator[str]:
    wanted = field_at(path)
    cells = sheet.column(name)
    if wanted.kind == "quantity":
        unit, source = _unit(name, cells, wanted.dimension)
        if unit:
            yield f"{_key(path)} = {{ column = {_quoted(name)}, unit = {_quoted(unit)} }}     # unit as {source} says"
        else:
            yield f'# ? {_key(path)} = {{ column = {_quoted(name)}, unit = "…" }}     nothing says the unit'
    elif wanted.kind in ("choice", "boolean"):
        meanings = ", ".join(f"{_quoted(cell)} = …" for cell in cells[:12]) or '"…" = …'
        known = "true or false" if wanted.kind == "boolean" else " | ".join(wanted.choices)
        if wanted.kind == "choice" and cells and all(cell in wanted.choices for cell in cells):
            yield f"{_key(path)} = {_quoted(name)}"
        else:
            yield f"# ? {_key(path)} = {{ column = {_quoted(name)}, values = {{ {meanings} }} }}     each means {known}"
    else:
        yield f"{_key(path)} = {_quoted(name)}"


def _unit(name: str, cells: list[str], dimension: str) -> tuple[str, str]:
    """The unit the header or every cell names, and which of them; empty where neither does."""
    codes = units.units_of(dimension)
    known = {code: code for code in codes} | {alias: code for alias, code in units.ALIASES.items() if code in codes}
    for word in re.findall(r"[^\s()\[\]_,;/]+", name)[::-1]:
        if word in known:
            return known[word], "the header"
    found = {str(match[2]) for cell in cells if (match := _NUMBER.match(cell))}
    if len(found) == 1 and (only := found.pop()) in known:
        return known[only], "each cell"
    return "", ""


def _decimal_mark(sheet: Sheet) -> tuple[str, str]:
    marks = {m[1] for row in sheet.rows for cell in row if (m := _NUMBER.match(cell.strip())) and m[1]}
    if len(marks) == 1:
        return str(marks.pop()), ""
    return ".", "the sample has both marks" if marks else "no number of the sample has decimals"


def _shown(cells: list[str]) -> str:
    """What kind of cells a column holds; the cells themselves may be personal and stay in the sheet."""
    if not cells:
        return "nothing (all empty)"
    if all(_NUMBER.match(cell) for cell in cells):
        return "numbers"
    return f"texts ({len(cells)} different)"


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")  # TOML refuses DEL, JSON does not
