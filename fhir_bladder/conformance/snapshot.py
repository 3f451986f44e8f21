"""Room `conformance`: a profile's snapshot from its differential. Belongs here: merging, unfolding, slices.

Source: FHIR R4 profiling (5.1) and ElementDefinition; order and ids follow the reference generator. Supported:
constraint derivations, slicing and slice children, type slicing, contentReference, extensions by profile.
Refused by name, with the element: re-slicing, specialisations that add elements, paths that do not exist.
"""

from __future__ import annotations

import copy
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from fhir_bladder.conformance.slim import slim_element
from fhir_bladder.errors import UnsupportedError

Lookup = Callable[[str], Mapping[str, Any] | None]

_BASE = "http://hl7.org/fhir/StructureDefinition/"
_URL_SLICING = {"discriminator": [{"type": "value", "path": "url"}], "ordered": False, "rules": "open"}
_TYPE_SLICING = {"discriminator": [{"type": "type", "path": "$this"}], "ordered": False, "rules": "open"}


class Item:
    """One element of a snapshot as a tree: `kids` below it, `slices` beside it."""

    __slots__ = ("element", "implied", "is_slice", "kids", "slices", "token", "touched")

    def __init__(self, element: dict[str, Any], token: str, is_slice: bool = False) -> None:
        self.element = element
        self.token = token
        self.is_slice = is_slice
        self.implied = False  # its slicing was not written but follows from the paths used
        self.touched = False  # the differential speaks of its slices
        self.kids: list[Item] = []
        self.slices: list[Item] = []

    def copy(self) -> Item:
        """A deep copy."""
        twin = Item(copy.deepcopy(self.element), self.token, self.is_slice)
        twin.kids = [k.copy() for k in self.kids]
        twin.slices = [s.copy() for s in self.slices]
        return twin

    def kid(self, name: str) -> Item | None:
        """The child called `name` (`value[x]` for choices)."""
        return next((k for k in self.kids if k.token == name), None)

    def slice(self, name: str) -> Item | None:
        """The slice called `name`."""
        return next((s for s in self.slices if s.token == name), None)


def generate(profile: Mapping[str, Any], lookup: Lookup) -> dict[str, Any]:
    """The profile with a slim `snapshot` made from its base's and its own differential.

    `lookup(url)` gives StructureDefinitions that have a snapshot. Raises UnsupportedError naming the element.
    """
    url = str(profile.get("url", profile.get("id", "")))
    if profile.get("derivation") != "constraint":
        raise UnsupportedError("not a profile: derivation is not 'constraint'", url, "give a constraint profile")
    base_url = str(profile.get("baseDefinition", ""))
    base = lookup(base_url)
    if base is None:
        raise UnsupportedError(
            f"base definition {base_url} is not known", url, "add the package that holds it with --package"
        )
    root = tree(base["snapshot"]["element"], url)
    if profile.get("type", root.token) != root.token:
        raise UnsupportedError(
            f"type {profile['type']}, but the base definition is of {root.token}", url, "correct type or baseDefinition"
        )
    elements = profile.get("differential", {}).get("element", ())
    builder = _Builder(url, root, lookup, {e.get("id", "") for e in elements})
    for element in elements:
        builder.apply(slim_element(element))
    _settle(root)
    result = {k: v for k, v in profile.items() if k not in ("differential", "snapshot", "text")}
    result["snapshot"] = {"element": list(flatten(root))}
    return result


def tree(elements: list[Mapping[str, Any]], url: str) -> Item:
    """A flat snapshot as a tree; ids give the structure."""
    root = Item(dict(elements[0]), elements[0]["path"])
    index = {root.element.get("id", root.token): root}
    for source in elements[1:]:
        element = dict(source)
        ident = element.setdefault("id", element["path"])
        parent_id, last = _split(ident)
        name, _, slice_name = last.partition(":")
        if slice_name:
            owner = index.get(f"{parent_id}.{name}")
            item = Item(element, slice_name, True)
            siblings = owner.slices if owner is not None else None
        else:
            owner = index.get(parent_id)
            item = Item(element, name)
            siblings = owner.kids if owner is not None else None
        if siblings is None:
            raise UnsupportedError(f"snapshot element {ident} stands before its parent", url, "make the snapshot anew")
        siblings.append(item)
        index[ident] = item
    return root


def _split(ident: str) -> tuple[str, str]:
    """`Observation.component:a.code` → (`Observation.component:a`, `code`). Slice names may hold dots? They may not."""
    parent, _, last = ident.rpartition(".")
    return parent, last


def flatten(item: Item, ident: str = "", path: str = "") -> Iterator[dict[str, Any]]:
    """The tree as a flat snapshot with ids and paths made anew."""
    ident = ident or item.token
    path = path or item.token
    element = {"id": ident, "path": path}
    element.update((k, v) for k, v in item.element.items() if k not in ("id", "path"))
    yield element
    for kid in item.kids:
        yield from flatten(kid, f"{ident}.{kid.token}", f"{path}.{kid.token}")
    for piece in item.slices:
        yield from flatten(piece, f"{ident}:{piece.token}", path)


class _Builder:
    """Applies differential elements, one after the other, to the tree of the base."""

    def __init__(self, url: str, root: Item, lookup: Lookup, written: set[str]) -> None:
        self.url, self.root, self.lookup, self.written = url, root, lookup, written

    def refuse(self, what: str, ident: str, remedy: str = "change the profile") -> UnsupportedError:
        return UnsupportedError(what, f"{self.url} element {ident}", remedy)

    def apply(self, diff: dict[str, Any]) -> None:
        ident = diff.get("id") or diff["path"]
        tokens = ident.split(".")
        if tokens[0] != self.root.token:
            raise self.refuse("differential path starts with another type", ident)
        item = self.root
        for number, token in enumerate(tokens[1:], 1):
            name, _, slice_name = token.partition(":")
            item = self.step(item, name, ident)
            if not slice_name:
                continue
            if "/" in slice_name:
                raise self.refuse("re-slicing is not supported", ident)
            found = item if item.is_slice and item.token == slice_name else item.slice(slice_name)
            if found is None:
                if number != len(tokens) - 1 and not self.of_type(item, slice_name):
                    raise self.refuse(f"slice {slice_name!r} is used before it is defined", ident)
                found = self.new_slice(item, slice_name, diff if number == len(tokens) - 1 else {}, ident)
            self.touch(item, ".".join(tokens[: number + 1]).rpartition(":")[0])
            item = found
        name = diff.get("sliceName")
        if name and ":" not in tokens[-1] and not (item.is_slice and item.token == name):
            if "/" in name:
                raise self.refuse("re-slicing is not supported", ident)
            self.touch(item, ident)
            item = item.slice(name) or self.new_slice(item, name, diff, ident)
        self.narrows(item.element, diff, ident)
        merge(item.element, diff)
        profiles = [p for t in diff.get("type", ()) for p in t.get("profile", ())]
        if item.element.get("sliceName") and len(profiles) == 1 and "max" not in diff:
            root = self.lookup(profiles[0])
            if root is not None and root["snapshot"]["element"][0].get("max", "*") != "*":
                item.element["max"] = root["snapshot"]["element"][0]["max"]

    def touch(self, item: Item, ident: str) -> None:
        """Note that the differential speaks of slices of `item`; of a choice perhaps without naming the choice."""
        item.touched = True
        if item.token.endswith("[x]") and ident not in self.written:
            item.implied = True

    def of_type(self, item: Item, name: str) -> bool:
        """Whether `name` is the slice a choice has for one of its types, such as `valueQuantity` of `value[x]`."""
        stem = item.token[:-3]
        return item.token.endswith("[x]") and any(
            name == stem + _upper(t["code"]) for t in item.element.get("type", ())
        )

    def narrows(self, element: Mapping[str, Any], diff: Mapping[str, Any], ident: str) -> None:
        """Refuse what allows more than the base: then holding to the profile would not mean holding to the base."""
        top, new = element.get("max", "*"), diff.get("max", "*")
        if "max" in diff and top != "*" and (new == "*" or int(new) > int(top)):
            raise self.refuse(f"max {new} is wider than the base's {top}", ident)
        if "min" in diff and "sliceName" not in diff and int(diff["min"]) < int(element.get("min", 0)):
            raise self.refuse(f"min {diff['min']} is less than the base's {element.get('min')}", ident)
        if "type" in diff and "type" in element:
            have = {t["code"] for t in element["type"]}
            wider = [t["code"] for t in diff["type"] if t["code"] not in have and not have & {"Resource", "Element"}]
            if wider:
                raise self.refuse(f"type {', '.join(wider)} is not among the base's", ident)

    def step(self, item: Item, name: str, ident: str) -> Item:
        """The child `name` of `item`, unfolded from its type where the base does not spell it out."""
        if not item.kids:
            self.unfold(item, ident)
        found = item.kid(name)
        if found is not None:
            return found
        for kid in item.kids:
            if not kid.token.endswith("[x]") or not name.startswith(kid.token[:-3]):
                continue
            suffix = name[len(kid.token) - 3 :]
            codes = [t["code"] for t in kid.element.get("type", ()) if _upper(t["code"]) == suffix]
            if not codes:
                continue
            if len(kid.element["type"]) == 1 and not kid.slices:
                return kid
            piece = kid.slice(name)
            if piece is None:
                piece = self.new_slice(kid, name, {}, ident)
            return piece
        if len({t["code"] for t in item.element.get("type", ())}) > 1:
            raise self.refuse("children of an element with several types", ident, "constrain it to one type first")
        raise self.refuse(f"element {name!r} does not exist in {item.element.get('id', item.token)}", ident)

    def new_slice(self, item: Item, name: str, diff: Mapping[str, Any], ident: str) -> Item:
        """A slice that starts as a copy of the sliced element."""
        if "slicing" not in item.element:
            item.implied = True
            if item.token in ("extension", "modifierExtension"):
                item.element["slicing"] = copy.deepcopy(_URL_SLICING)
            elif item.token.endswith("[x]"):
                item.element["slicing"] = copy.deepcopy(_TYPE_SLICING)
            else:
                raise self.refuse(f"slice {name!r} without slicing on its element", ident, "add the slicing entry")
        piece = Item(copy.deepcopy(item.element), name, True)
        piece.kids = [k.copy() for k in item.kids]
        piece.element.pop("slicing", None)
        piece.element["sliceName"] = name
        piece.element["min"] = 0
        if item.token.endswith("[x]") and "type" not in diff:
            suffix = name[len(item.token) - 3 :]
            types = [t for t in item.element.get("type", ()) if _upper(t["code"]) == suffix]
            if name.startswith(item.token[:-3]) and types:
                piece.element["type"] = types
        item.slices.append(piece)
        return piece

    def unfold(self, item: Item, ident: str) -> None:
        """Give `item` the children of its type, of the profile on its type, or of what it refers to."""
        element = item.element
        if "contentReference" in element:
            target = self.find(element["contentReference"].rpartition("#")[2], ident)
            item.kids = [k.copy() for k in target.kids]
            element.pop("contentReference")
            element["type"] = copy.deepcopy(target.element["type"])
            return
        types = element.get("type", ())
        codes = {t["code"] for t in types}
        if len(codes) > 1:
            source = self.lookup(_BASE + "Element")  # what all types have: id and extension
            item.kids = tree(source["snapshot"]["element"], _BASE + "Element").kids if source is not None else []
            return
        if not codes:
            raise self.refuse("children of an element without a type", ident, "give it a type")
        profiles = types[0].get("profile", ())
        if len(types) != 1 or len(profiles) > 1:
            profiles = ()
        url = profiles[0] if profiles else _BASE + types[0]["code"]
        source = self.lookup(url)
        if source is None and codes == {"Extension"}:
            source = self.lookup(_BASE + "Extension")  # an instance that carries the unknown one is refused
        if source is None:
            raise self.refuse(
                f"type or profile {url} is not known", ident, "add the package that holds it with --package"
            )
        item.kids = tree(source["snapshot"]["element"], url).kids

    def find(self, ident: str, where: str) -> Item:
        item: Item | None = self.root
        for token in ident.split(".")[1:]:
            name, _, slice_name = token.partition(":")
            item = item.kid(name) if item is not None else None
            if slice_name and item is not None:
                item = item.slice(slice_name)
        if item is None:
            raise self.refuse(f"contentReference to {ident}, which does not exist", where)
        return item


def _settle(item: Item) -> None:
    """What follows from slices: at least as many items as they ask for, and no type of a choice that none leaves."""
    if item.slices and (item.implied or item.touched):
        if item.implied:
            needed = sum(s.element.get("min", 0) for s in item.slices)
            item.element["min"] = max(item.element.get("min", 0), needed)
        if item.token.endswith("[x]") and item.element.get("max") == "1":
            must = [s for s in item.slices if s.element.get("min", 0)] or (item.slices if item.implied else [])
            if len(must) == 1 and (len(item.slices) == 1 or must[0].element.get("min", 0)):
                left = {t["code"] for t in must[0].element.get("type", ())}
                item.element["type"] = [t for t in item.element.get("type", ()) if t["code"] in left]
            left = {t["code"] for t in item.element.get("type", ())}
            left -= {t["code"] for s in item.slices if len(s.element.get("type", ())) == 1 for t in s.element["type"]}
            if not left:
                item.element["slicing"] = {**item.element["slicing"], "rules": "closed"}
    if "binding" in item.element and not _BINDABLE & {t["code"] for t in item.element.get("type", ())}:
        del item.element["binding"]
    for below in (*item.kids, *item.slices):
        _settle(below)


def _upper(code: str) -> str:
    return code[:1].upper() + code[1:]


_BINDABLE = frozenset({"code", "Coding", "CodeableConcept", "Quantity", "string", "uri", "Duration", "SimpleQuantity"})
_REPLACED = ("min", "max", "type", "maxLength", "isModifier", "sliceIsConstraining", "slicing")


def merge(element: dict[str, Any], diff: Mapping[str, Any]) -> None:
    """Put the constraints of `diff` on `element` in place; invariants are added, everything else replaces."""
    for key, value in diff.items():
        if key in _REPLACED:
            element[key] = copy.deepcopy(value)
        elif key == "binding":  # its strength may be raised alone
            element[key] = {**element.get(key, {}), **value}
        elif key.startswith(("fixed", "pattern", "minValue", "maxValue", "_fixed", "_pattern")):
            kind = key.lstrip("_")[:3]
            for old in [
                k for k in element if k.lstrip("_")[:3] == kind and k.lstrip("_") != key.lstrip("_") and _valued(k)
            ]:
                del element[old]
            element[key] = copy.deepcopy(value)
        elif key == "constraint":
            have = element.get("constraint", [])
            keys = {c["key"] for c in value}
            element["constraint"] = [c for c in have if c["key"] not in keys] + copy.deepcopy(value)


def _valued(key: str) -> bool:
    return key.startswith(("fixed", "pattern", "minValue", "maxValue", "_fixed", "_pattern"))
