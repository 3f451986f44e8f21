"""What the code can say to a person, read from its source: every error, every finding, with remedy and exit code.

`…` stands for what is filled in when the message is made. Used by `pages.py`, which writes docs/errors.md from it.
"""

from __future__ import annotations

import ast
import re
from collections import defaultdict
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

from fhir_bladder import errors

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "fhir_bladder"
_IDENT = re.compile(r"[a-z][a-z0-9]*(-[a-z0-9]+)+|narrative|fixed|pattern|type|invariant\Z")
_MAKERS = {
    "Finding": "", "Kind": "", "add": "error", "refuse": "error", "Problem": "error", "MessageError": "error",
    "UnsupportedMessage": "error", "_warn": "warn", "_note": "note", "refused_item": "error", "file_item": "fatal",
    "_failed": "fatal", "row_item": "error",
}  # fmt: skip
"""Functions that make a finding, with the severity where the call does not name one."""
_BEFORE_MESSAGE = {"add": 1, "Finding": 1, "Kind": 1, "_add": 1}
"""How many arguments stand between the id and the message: a path or a severity."""
_REMEDY_IS_NEXT = {"refuse", "Problem", "MessageError", "UnsupportedMessage", "_warn", "_note", "_failed"}


class Said(NamedTuple):
    """One message. ident: of a finding, else empty. code: exit code of an error, else 0."""

    room: str
    ident: str
    severity: str
    message: str
    remedy: str
    code: int


def text_of(node: ast.expr | None) -> str:
    """The text of an expression, `…` for what is not constant; empty where nothing of it is."""
    if isinstance(node, ast.Constant):
        return node.value if isinstance(node.value, str) else ""
    if isinstance(node, ast.JoinedStr):
        parts = [str(part.value) if isinstance(part, ast.Constant) else "…" for part in node.values]
        return re.sub("…(…|'…')*", "…", "".join(parts))
    if isinstance(node, ast.BinOp) and isinstance(node.op, ast.Add):
        return (text_of(node.left) or "…") + (text_of(node.right) or "…")
    if isinstance(node, ast.IfExp):
        return text_of(node.body) or text_of(node.orelse)
    return ""


def _classes() -> dict[str, int]:
    """Names of the errors a user can meet, with their exit codes; those that other rooms derive are found by name."""
    codes = {name: kind.exit_code for name, kind in vars(errors).items() if name.endswith("Error")}
    derived = [
        node for path in PACKAGE.rglob("*.py") for node in ast.walk(ast.parse(path.read_text()))
        if isinstance(node, ast.ClassDef) and node.bases and node.name not in codes
    ]  # fmt: skip
    for _ in range(3):  # as deep as the tree of errors is
        codes |= {node.name: codes[base] for node in derived if (base := ast.unparse(node.bases[0])) in codes}
    return codes


def _room(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def said() -> list[Said]:
    """Every message of the package, in the order of the files."""
    classes = _classes()
    out = []
    for path in sorted(PACKAGE.rglob("*.py")):
        if (_room(path) == "sandbox" and path.name != "embedded.py") or path.name == "build.py":
            continue  # the servers of tests speak to programs; the embedded one to who runs `serve` and `demo`
        tree = ast.parse(path.read_text())
        hints = _hints_of_kinds(tree)
        for node in ast.walk(tree):
            if isinstance(node, ast.Call):
                out += [one for one in _of_call(node, _room(path), classes, hints) if one.message.strip(" …")]
    return sorted(set(out), key=out.index)


def _of_call(node: ast.Call, room: str, classes: dict[str, int], hints: dict[int, str]) -> Iterator[Said]:
    name = ast.unparse(node.func).rsplit(".", 1)[-1]
    given = {word.arg: text_of(word.value) for word in node.keywords}
    texts = [text_of(argument) for argument in node.args]
    at = next((at for at, text in enumerate(texts[:2]) if _IDENT.fullmatch(text)), None)
    ident = texts[at] if at is not None else given.get("id", "")
    if name in _MAKERS and _IDENT.fullmatch(ident):
        rest = texts[at + 1 :] if at is not None else texts
        severity = given.get("severity") or next((text for text in rest if text in errors.SEVERITIES), _MAKERS[name])
        skipped = _BEFORE_MESSAGE.get(name, 0) if at is not None else 0
        words = list(rest[skipped:])
        message = given.get("message") or (words[0] if words else "")
        remedy = given.get("hint") or given.get("remedy") or hints.get(id(node), "")
        if not remedy and name in _REMEDY_IS_NEXT:
            remedy = words[1] if len(words) > 1 else ""
        if not remedy and given.get("expected", "").strip(" …"):
            remedy = f"expected: {given['expected']}"
        yield Said(room, ident, severity, message, remedy, 0)
    elif name in classes and " " in (texts or [""])[0]:
        remedy = given.get("remedy") or (texts[2] if len(texts) > 2 else "")
        yield Said(room, "", "", texts[0] if texts else "", remedy, classes[name])
    elif name == "warn" and room == "cli":
        yield Said(room, "", "warning", texts[0], texts[2] if len(texts) > 2 else "", 0)


def _hints_of_kinds(tree: ast.Module) -> dict[int, str]:
    """Of `KIND = Kind(…)` the hints that `KIND.found(…, hint=…)` gives, by the node of the call."""
    made: dict[str, ast.Call] = {}
    hints: dict[str, list[str]] = defaultdict(list)
    for node in ast.walk(tree):
        if isinstance(node, ast.Assign) and isinstance(node.value, ast.Call) and isinstance(node.targets[0], ast.Name):
            made[node.targets[0].id] = node.value
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute) and node.func.attr == "found":
            hint = next((text_of(word.value) for word in node.keywords if word.arg == "hint"), "")
            if isinstance(node.func.value, ast.Name) and hint:
                hints[node.func.value.id].append(hint)
    return {id(call): "; ".join(dict.fromkeys(hints[name])) for name, call in made.items() if name in hints}


HOLDS = {
    "unreadable": ("the record cannot be read", "correct the record at its source and give it again"),
    "invalid": ("what would be sent does not hold to the profiles, or is not what `map` writes",
                "correct what the reason names and give the record again"),
    "no-patient": ("the exam names no patient", "identify the patient in the record and give it again"),
    "plausibility": ("a finding of severity `block`; the reason names it",
                     "correct the record; or look at the scanner's own reading, then release it"),
    "test-data": ("invented data would leave this machine", "push it to a test server, or give `--allow-test`"),
    "unverified": ("nobody has verified the exam, with `--unverified hold`", "verify it on the scanner, or release it"),
    "device": ("the scanner is not on the server, or is there more than once",
               "enter or merge the Device on the server, then `outbox retry`"),
    "patient-unknown": ("no active patient has one of the identifiers",
                        "register the patient or correct the identifier, then `outbox retry`"),
    "patient-ambiguous": ("several patients have the identifier",
                          "merge or correct them on the server, then `outbox retry`"),
    "patient-contradicts": ("the patient with the identifier has another birth date, or died before the exam",
                            "find out whose exam it is; correct the record and give it again"),
    "patient-unproven": ("the identifier matches, and nothing else agrees",
                         "compare the patient with the exam; release it, or give a second item"),
    "other-patient": ("the order or encounter belongs to another patient",
                      "find out whose exam it is; correct the record and give it again"),
    "other-subject": ("the server has this exam on another patient",
                      "find out which is right; if the record is, give it with status `corrected`"),
    "content-differs": ("the server has this exam with other content",
                        "compare both; give the record as `amended` or `corrected`, or release it to write over"),
    "retracted": ("the exam was retracted on the server and comes again with other content",
                  "give it under a new exam number, or drop it"),
    "doubled": ("the server holds this exam more than once", "take the double away on the server, then `outbox retry`"),
    "refused": ("the server refuses the exam; the reason quotes its issue codes",
                "correct the record or the server's rules; release it to try the same again"),
    "server-fails": ("the server answers with errors of its own again and again",
                     "see the server's log; release it, or `outbox retry`, when it works"),
    "server-unreadable": ("what the server holds of the patient, the scanner or the exam is not what FHIR gives",
                          "put it right on the server, then `outbox retry`"),
    "no-content": ("the content was purged before the exam was sent", "give the record again"),
}  # fmt: skip
"""Why push holds an exam, by the code of the outbox and of receipts: what it means, what a person does."""


def hold_codes() -> set[str]:
    """The codes of held exams in the source."""
    found = set()
    for path in [*(PACKAGE / "exchange").rglob("*.py"), *(PACKAGE / "intake").glob("*.py")]:
        for node in ast.walk(ast.parse(path.read_text())):
            found |= set(_held_by(node))
    return found - {""}


def _held_by(node: ast.AST) -> Iterator[str]:
    if isinstance(node, ast.Assign) and isinstance(node.targets[0], ast.Subscript):
        if ast.unparse(node.targets[0].value) == "holds":
            yield text_of(node.targets[0].slice)
    elif isinstance(node, ast.Call):
        name = ast.unparse(node.func).rsplit(".", 1)[-1]
        texts = [text_of(argument) or ast.unparse(argument) for argument in node.args]
        given = {word.arg: text_of(word.value) for word in node.keywords}
        constant = [text_of(argument) for argument in node.args]
        if name in ("Result", "_located") and "held" in constant:
            yield constant[constant.index("held") + 1]
        elif name == "Decision" and texts[0].endswith("HELD") and len(constant) > 2:
            yield constant[2]
        elif name == "Verdict" and texts[0] == "None":
            yield constant[1]
        elif name == "_held" and len(node.args) > 1 and isinstance(node.args[1], ast.Dict):
            yield from (text_of(key) for key in node.args[1].keys)
        elif given.get("state") == "held":
            yield given.get("code", "")
