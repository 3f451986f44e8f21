"""Room `measurement`: ages from whole and partial birth dates. Imports nothing of ours."""

from __future__ import annotations

import datetime as dt


def age_range(birth_date: str | None, day: dt.date) -> tuple[int, int] | None:
    """Least and greatest age in completed years on a day; equal for a whole birth date, None without one.

    `birth_date` is YYYY, YYYY-MM or YYYY-MM-DD. A negative age means birth after that day.
    """
    if birth_date is None:
        return None
    years = day.year - int(birth_date[:4])
    if len(birth_date) == 4:
        return years - 1, years
    month = int(birth_date[5:7])
    if len(birth_date) == 7:
        if month == day.month:
            return years - 1, years
        age = years - (day.month < month)
        return age, age
    age = years - ((day.month, day.day) < (month, int(birth_date[8:])))
    return age, age


def is_child(birth_date: str | None, day: dt.date, adult_age: int = 18) -> bool | None:
    """Whether the age is below the adult age; None where that cannot be told."""
    ages = age_range(birth_date, day)
    if ages is None or ages[0] < adult_age <= ages[1]:
        return None
    return ages[1] < adult_age
