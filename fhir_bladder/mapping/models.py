"""Room `mapping`: the same resources as typed models, for those who want them. Needs the extra `models`.

`fhir.resources` has no R4 4.0.1; its R4B models agree with R4 in every element used here. They are a cross-check and a
convenience: decimals lose trailing zeros there, so nothing of ours passes through them.
"""

from __future__ import annotations

from typing import Any

from fhir_bladder import wire
from fhir_bladder.errors import ConfigError, RecordError


def typed(resource: dict[str, Any]) -> Any:
    """A resource as its `fhir.resources` R4B model.

    Raises ConfigError where the extra is not installed, RecordError where the model refuses the resource.
    """
    try:
        from fhir.resources.R4B import get_fhir_model_class
    except ImportError:
        raise ConfigError("fhir.resources is not installed", "", "pip install '.[models]' in the clone") from None
    kind = str(resource.get("resourceType", ""))
    try:
        model = get_fhir_model_class(kind)
        return model.model_validate_json(wire.dumps(resource))
    except (KeyError, LookupError):
        raise RecordError(f"no model is known for {kind!r}", "resourceType", "give an R4 resource") from None
    except ValueError as error:
        first = str(error).splitlines()
        raise RecordError(f"the model of {kind} refuses it: {'; '.join(first[1:3])}", kind, "validate it") from None
