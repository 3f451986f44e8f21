"""Room `measurement`: the constants a site may set, each with its source. Imports nothing but errors."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, fields
from decimal import Decimal

from fhir_bladder.errors import ConfigError

OURS = "our suggestion, not from the literature"
PRACTICE = "common practice, no source"


@dataclass(frozen=True, slots=True)
class Settings:
    """Constants of the calculations and limits of the findings; every one can be set by the site.

    filling_low, filling_high: mL, inclusive; common practice, no source (other ranges stand in the literature:
    100–300 mL Kojima 1996, from memory; 200–400 mL Chalana 2005, Rev Urol 7(S6):S22; 250 mL and more Oelke 2007).
    density: g/mL, specific gravity of the bladder wall as attributed to Kojima 1996, Urology 47:942; from memory of
    that one paper, not confirmed; muscle is usually given as 1.04 to 1.06. adult_age: years. The limits of the
    findings are our suggestions; `findings` says so beside each.
    """

    filling_low: Decimal = Decimal(150)
    filling_high: Decimal = Decimal(400)
    density: Decimal = Decimal("0.957")
    adult_age: int = 18
    efficiency_minutes: int = 30
    impossible_volume: Decimal = Decimal(5000)
    large_volume: Decimal = Decimal(1000)
    tenfold_volume: Decimal = Decimal(100)
    tenfold_percent: Decimal = Decimal(5)
    spread_volume: Decimal = Decimal(25)
    spread_percent: Decimal = Decimal(20)
    thickness_low: Decimal = Decimal("0.5")
    thickness_high: Decimal = Decimal(15)
    area_times: Decimal = Decimal(2)
    mass_low_factor: Decimal = Decimal("0.95")
    mass_high_factor: Decimal = Decimal("1.06")
    mass_shape_percent: Decimal = Decimal(1)
    catheter_volume: Decimal = Decimal(100)
    filling_rate: Decimal = Decimal(20)
    filling_minutes: int = 10
    swap_seconds: int = 30
    repeat_minutes: int = 30
    pair_minutes: int = 60
    future_minutes: int = 5
    gap_greatest: int = 1000
    exam_minutes: int = 120
    greatest_age: int = 120

    def __post_init__(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            if isinstance(value, bool) or not isinstance(value, int | Decimal):
                raise ConfigError(f"{field.name} is not a whole number or a Decimal", "", "write it as a number")
            if isinstance(value, Decimal) and not value.is_finite():
                raise ConfigError(f"{field.name} is not a finite number", "", "write a number above 0")
            if value <= 0:
                raise ConfigError(f"{field.name} is {value}", "", "write a number above 0")
        if self.filling_low >= self.filling_high:
            raise ConfigError(
                f"the filling range {self.filling_low} to {self.filling_high} mL is empty",
                "",
                "write its lower end first",
            )

    @property
    def future(self) -> dt.timedelta:
        """How far ahead of now a time may lie before it counts as in the future."""
        return dt.timedelta(minutes=self.future_minutes)

    @property
    def filling_text(self) -> str:
        """The filling range in words, as it is written with a result."""
        return f"{self.filling_low}–{self.filling_high} mL"

    @property
    def outside_text(self) -> str:
        """The words of a mass that was not calculated, and of a received value outside the range."""
        return f"volume outside the filling range {self.filling_text}"


CHILD_TEXT = "no filling range for children"
AGE_UNKNOWN_TEXT = "age unknown, the filling range of adults applied"
DEFAULT = Settings()
