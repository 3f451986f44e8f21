"""Room `mapping`: what a site can set. May import measurement, terminology."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

from fhir_bladder.errors import ConfigError
from fhir_bladder.mapping.codebook import Codebook
from fhir_bladder.measurement import Settings
from fhir_bladder.terminology.names import DEVICE_SYSTEM, EXAM_KEY_SYSTEM
from fhir_bladder.terminology.sites import NO_SITE, SiteCodes

_URI = re.compile(r"[A-Za-z][A-Za-z0-9+.-]*:[^\s\x00-\x1f\x7f]+\Z")  # R4 uri, absolute
_CATEGORIES = {
    "imaging": "Imaging",
    "exam": "Exam",
    "procedure": "Procedure",
    "vital-signs": "Vital Signs",
    "laboratory": "Laboratory",
    "survey": "Survey",
    "therapy": "Therapy",
    "activity": "Activity",
    "social-history": "Social History",
}
"""R4 observation-category, code and display."""


@dataclass(frozen=True)
class MapOptions:
    """Options of `to_fhir`; make one and use it for all exams, since tables are prepared once for each.

    shape: `panel` (one Observation an exam) or `single` (one a measurement, grouped). as_: `observations` or
    `bundles` (transaction). codes: the site's table. filling_range: `keep` sends received wall values outside the
    filling range marked, `omit` leaves them out. key_system, device_system: the site's identifier systems.
    settings: constants of the calculations. category: R4 observation-category. send_calculated_mass: whether our own
    mass is sent. revision: of the key, above 0 only where the subject was corrected.
    """

    shape: Literal["panel", "single"] = "panel"
    as_: Literal["observations", "bundles"] = "observations"
    codes: SiteCodes = NO_SITE
    filling_range: Literal["keep", "omit"] = "keep"
    key_system: str = EXAM_KEY_SYSTEM
    device_system: str = DEVICE_SYSTEM
    settings: Settings = field(default_factory=Settings)
    category: str = "imaging"
    send_calculated_mass: bool = True
    revision: int = 0

    def __post_init__(self) -> None:
        for name, allowed in (
            ("shape", ("panel", "single")),
            ("as_", ("observations", "bundles")),
            ("filling_range", ("keep", "omit")),
            ("category", tuple(_CATEGORIES)),
        ):
            if getattr(self, name) not in allowed:
                raise ConfigError(
                    f"{name.rstrip('_')} {getattr(self, name)!r} is not known", "", f"choose {', '.join(allowed)}"
                )

        for name in ("key_system", "device_system"):
            if not _URI.match(getattr(self, name)):
                raise ConfigError(
                    f"{name} {getattr(self, name)!r} is not a URI", "",
                    "write an absolute one without blanks, such as https://records.example/bladder-exam",
                )  # fmt: skip

    @cached_property
    def book(self) -> Codebook:
        """The codes of every concept under the site's table."""
        return Codebook(self.codes)

    @property
    def category_display(self) -> str:
        """The display of the category."""
        return _CATEGORIES[self.category]
