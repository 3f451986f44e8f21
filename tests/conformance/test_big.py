"""Large Bundles: read in windows and judged in runs, with the findings of the Bundle judged in one piece."""

from __future__ import annotations

import copy
import json
import random
from pathlib import Path
from typing import Any

import pytest

from fhir_bladder.conformance import big, entries
from fhir_bladder.conformance.entries import BundleFile, Unwindowed
from fhir_bladder.conformance.validator import Validator

BUNDLE = json.loads((Path(__file__).parent.parent / "profiles" / "valid" / "bundle-panel.json").read_bytes())
FORMS: list[dict[str, Any]] = [{}, {"indent": 1}, {"separators": (",", ":")}, {"indent": 4, "ensure_ascii": False}]


def large(turns: int) -> dict[str, Any]:
    """The example Bundle so often, each time with other UUIDs."""
    found = []
    for turn in range(turns):
        text = json.dumps(BUNDLE["entry"])
        for url in {entry["fullUrl"] for entry in BUNDLE["entry"]}:
            text = text.replace(url, f"{url[:9]}{turn:04x}{url[13:]}")
        found += json.loads(text)
    return {"resourceType": "Bundle", "id": "b", "type": "transaction", "entry": found}


def break_one(r: random.Random, bundle: dict[str, Any]) -> None:
    entry = r.choice([e for e in bundle["entry"] if e is not None])
    change = r.randrange(10)
    if change == 0:
        entry["resource"]["foo"] = 1
    elif change == 1:
        entry["fullUrl"] = bundle["entry"][0]["fullUrl"]
    elif change == 2:
        entry.pop("fullUrl", None)
    elif change == 3:
        entry["resource"]["status"] = "ä"
    elif change == 4:
        entry["fullUrl"] = f"urn:uuid:00000000-0000-0000-0000-00000000{r.randrange(9999):04x}"
    elif change == 5:
        entry["resource"]["resourceType"] = "Foo"
    elif change == 6:
        bundle["total"] = "x"
    elif change == 7:
        bundle["entry"].append(None)
    elif change == 8:
        entry["request"] = {"method": "FOO"}
    else:
        bundle["id"] = " x"


def key(finding: Any) -> tuple[Any, ...]:
    """What must be the same. bdl-7 names the entry in a large Bundle; places after the entries are not told there."""
    if finding.id == "bdl-7":
        return "bdl-7", finding.severity
    after = finding.path == "Bundle.total"
    return finding.id, finding.severity, finding.path, *((0, 0) if after else (finding.line, finding.column))


@pytest.mark.parametrize("seed", range(12))
def test_runs_find_what_is_found_in_one_piece(
    local: Validator, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, seed: int
) -> None:
    monkeypatch.setattr(entries, "WINDOW", 7_000)
    monkeypatch.setattr(big, "RUN", 3)
    r = random.Random(seed)
    bundle = copy.deepcopy(large(4))
    for _ in range(seed % 4):
        break_one(r, bundle)
    text = json.dumps(bundle, **FORMS[seed % len(FORMS)])
    if seed % 3 == 2:
        text = text.replace('"transaction"', '"transaction", "type": "transaction"', 1)
    path = tmp_path / "bundle.json"
    path.write_text(text, "utf-8")
    found, label, unreadable = big.judge_big(local, path)
    whole = local.validate(text.encode())
    assert set(map(key, found)) == set(map(key, whole))
    assert not unreadable and label.startswith("Bundle")
    if not whole:
        assert found == []


LATE = {
    "bdl-2": '{"search": {"mode": "match"}, ',
    "bdl-3": "{",
    "bdl-4": '{"response": {"status": "200"}, ',
    "json-duplicate": '{"ä": "ü", "fullUrl": "urn:uuid:1", ',
    "too-deep": '{"id": ' + "[" * 120 + "]" * 120 + ", ",
    "element-unknown": '{"a\\"b": 1, ',
}
"""What the last entry begins with (R4 tells bdl-2 to bdl-4 at the Bundle); for bdl-3 it has no request."""


@pytest.mark.parametrize("ident", LATE)
def test_what_the_last_run_breaks_is_told(
    local: Validator, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, ident: str
) -> None:
    monkeypatch.setattr(entries, "WINDOW", 7_000)
    monkeypatch.setattr(big, "RUN", 3)
    bundle = large(4)
    last = bundle["entry"].pop()
    text = json.dumps(bundle, indent=1)
    end = LATE[ident] + json.dumps(last)[1:]
    if ident == "bdl-3":
        end = json.dumps({name: value for name, value in last.items() if name != "request"})
    path = tmp_path / "bundle.json"
    path.write_text(f"{text[: text.rindex(']')]},\n  {end}]}}", "utf-8")
    found, _, unreadable = big.judge_big(local, path)
    whole = local.validate(path.read_bytes())
    assert ident in {finding.id for finding in whole}
    assert sorted(map(key, found)) == sorted(map(key, whole))
    assert unreadable == (ident == "too-deep")


def test_the_entry_of_something_inside_is_not_that_of_the_bundle(local: Validator, tmp_path: Path) -> None:
    path = tmp_path / "bundle.json"
    inside = json.dumps(large(1)["entry"])
    path.write_text(f'{{"resourceType":"Bundle","type":"batch","meta":{{"entry":{inside}}},"entry":[]}}', "utf-8")
    with pytest.raises(Unwindowed):
        BundleFile(path)
    found, _, _ = big.judge_big(local, path)
    assert "json-empty" in {finding.id for finding in found}


def test_a_file_that_becomes_shorter_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(entries, "WINDOW", 5_000)
    path = tmp_path / "bundle.json"
    path.write_text(json.dumps(large(4)), "utf-8")
    windows = BundleFile(path).windows()
    next(windows)
    path.write_text("{}", "utf-8")
    with pytest.raises(Unwindowed):
        list(windows)


def test_a_bundle_held_to_a_profile_is_judged_in_one_piece(local: Validator, tmp_path: Path) -> None:
    """Slices of its entries are counted over all of them."""
    path = tmp_path / "bundle.json"
    path.write_text(json.dumps(BUNDLE), "utf-8")
    assert big.judge_big(local, path)[0] == local.validate(path.read_bytes(), file=str(path))
    plain = {name: value for name, value in BUNDLE.items() if name != "meta"}
    path.write_text(json.dumps(plain), "utf-8")
    asking = Validator(profiles=BUNDLE["meta"]["profile"])
    assert big.judge_big(asking, path)[0] == asking.validate(path.read_bytes(), file=str(path))


def test_windows_give_every_entry_in_order(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(entries, "WINDOW", 5_000)
    bundle = large(5)
    path = tmp_path / "bundle.json"
    for form in FORMS:
        data = json.dumps(bundle, **form).encode()
        path.write_bytes(data)
        windows = list(BundleFile(path).windows())
        assert len(windows) > 2
        assert [json.loads(bytes(raw)) for window in windows for raw in window.entries] == bundle["entry"]
        for window in windows:
            assert data[window.offset : window.offset + len(window.text)] == window.text
            before = data[: window.offset]
            assert window.line == before.count(b"\n") + 1
            assert window.column == window.offset - before.rfind(b"\n")


SPOILT = {
    "comma at the end": lambda text: text.replace("}]}", "},]}"),
    "comma missing": lambda text: text.replace('},{"fullUrl"', '}{"fullUrl"', 1),
    "two commas": lambda text: text.replace('},{"fullUrl"', '},,{"fullUrl"', 1),
    "cut": lambda text: text[:-200],
    "entry twice": lambda text: text[:-1] + ',"entry":[]}',
    "something behind": lambda text: text + "x",
}


@pytest.mark.parametrize("spoil", SPOILT.values(), ids=SPOILT)
def test_broken_text_is_said_as_in_one_piece(
    local: Validator, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, spoil: Any
) -> None:
    monkeypatch.setattr(entries, "WINDOW", 5_000)
    text = spoil(json.dumps(large(3), separators=(",", ":")))
    path = tmp_path / "bundle.json"
    path.write_text(text, "utf-8")
    whole = local.validate(text.encode())
    assert whole
    found, _, _ = big.judge_big(local, path)
    assert {f.id for f in found} == {f.id for f in whole}


def test_what_windows_are_not_made_of_is_told(tmp_path: Path) -> None:
    path = tmp_path / "x.json"
    for text in ("", "[]", '{"resourceType":"Bundle"}', '{"resourceType":"Bundle","entry":[]}', '{"entry":[1]}'):
        path.write_text(text, "utf-8")
        with pytest.raises(Unwindowed):
            list(BundleFile(path).windows())
