"""Public holidays of a country or a part of it, from an optional library that people keep current."""

from __future__ import annotations

from datetime import date

from calib.shop.check import Problems
from calib.toml_lines import Path

FIRST_YEAR, LAST_YEAR = 2000, 2050


def public_holidays(place: str, path: Path, problems: Problems) -> set[date]:
    """Days off in all years that a log or a quote can be of; a problem where the place or the library is not there.

    place : ISO 3166 code of a country ('DE'), or of a part of one ('DE-BY')

    >>> from calib.shop.check import Problems
    >>> date(2026, 1, 6) in public_holidays("DE-BY", ("hours",), Problems({}, ""))
    True
    """
    try:
        import holidays
    except ImportError:
        problems.add(
            path,
            f'"{place}" needs the library of public holidays, which is not installed. '
            "Run: pip install 'calib[holidays]', or write the days into closures.",
        )
        return set()
    country, _, part = place.strip().upper().partition("-")
    try:
        years = range(FIRST_YEAR, LAST_YEAR + 1)
        return set(holidays.country_holidays(country, subdiv=part or None, years=years))
    except (NotImplementedError, AttributeError, ValueError):
        parts = holidays.list_supported_countries().get(country)
        known = (
            f"Parts known of {country}: {', '.join(parts)}."
            if parts
            else 'Expected a country or a part of one by ISO 3166, such as "DE" or "DE-BY".'
        )
        problems.add(path, f'"{place}" is no place whose holidays are known. {known}')
        return set()
