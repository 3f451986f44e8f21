"""Room `fhirpath`: invariants of R4 written by hand in Python, because every element carries them.

Each is compared with the general engine by tests/fhirpath/test_engines.py.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from fhir_bladder.fhirpath import model
from fhir_bladder.fhirpath.direct import Direct, NotDirect, Slow


def _ele_1(type_name: str) -> Direct:
    """Every element has a value or children beside its id."""
    info = model.info(type_name)
    if info is None:
        raise NotDirect
    if model.is_primitive(type_name):

        def primitive(node: Any, resource: Any, root: Any) -> bool:
            del resource, root
            if node is None or type(node) is dict or type(node) is list:
                raise Slow
            return True

        return primitive
    names = frozenset(info.keys) - {"id"}

    def run(node: Any, resource: Any, root: Any) -> bool:
        del resource, root
        for name, value in node.items():
            if name in names and value is not None and value != []:
                return True
        raise Slow

    return run


def _ext_1(type_name: str) -> Direct:
    """An extension has either extensions or a value."""
    info = model.info("Extension")
    assert info is not None
    keys = frozenset(name for key in info.elements["value"] for name in (key.name, "_" + key.name))
    if type_name != "Extension":
        raise NotDirect

    def run(node: Any, resource: Any, root: Any) -> bool:
        del resource, root
        return bool(node.get("extension")) is keys.isdisjoint(node)

    return run


TEMPLATES: dict[str, Callable[[str], Direct]] = {
    "hasValue() or (children().count() > id.count())": _ele_1,
    "extension.exists() != value.exists()": _ext_1,
}
"""Expression, spaces normalised → maker of the function for a type."""
