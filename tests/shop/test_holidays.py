"""Public holidays in opening hours: closed in quotes and in people's runs."""

from __future__ import annotations

import sys
from datetime import date, datetime
from zoneinfo import ZoneInfo

import pytest

from calib.calendar.clock import OpenClock, from_minutes, opening_times, to_minutes
from calib.errors import ShopFileError
from calib.shop.read_shop import shop_from_text

SHOP = '[shop]\nname = "x"\ntimezone = "Europe/Berlin"\n[hours]\nfri = "08:00-17:00"\nmon = "08:00-17:00"\n'


def shop(holidays: str, more: str = ""):
    return shop_from_text(SHOP + f"holidays = {holidays}\n{more}")


def test_days_of_a_country_and_of_a_part_of_it_beside_closures():
    # 2 (1) of the German unification treaty of 1990: 3 October. Epiphany is a day off in three of the states only
    # (Bavarian law on Sundays and holidays, art. 1). Both from memory.
    country, part = shop('"DE"', "closures = [2026-08-03]\n").closures, shop('"de-by"').closures
    assert {date(2026, 10, 3), date(2026, 8, 3)} <= set(country)
    assert date(2026, 1, 6) not in country
    assert date(2026, 1, 6) in part


@pytest.mark.parametrize(("year", "month", "day"), [(2024, 3, 31), (2025, 4, 20), (2026, 4, 5), (2027, 3, 28)])
def test_good_friday_and_easter_monday_go_with_easter(year, month, day):
    # Easter Sundays as astronomical almanacs print them (from memory); the two days beside it are closed.
    closed = shop('"DE"').closures
    assert {date.fromordinal(date(year, month, day).toordinal() + step) for step in (-2, 1)} <= set(closed)


def test_a_quote_passes_over_a_holiday_and_so_does_a_run():
    easter = shop('"DE"')
    clock = OpenClock(easter.hours, easter.closures, easter.timezone)
    thursday = to_minutes(datetime(2026, 4, 2, 12, tzinfo=ZoneInfo("Europe/Berlin")))
    opened = from_minutes(float(clock.next_open(thursday)), "Europe/Berlin")
    assert opened.isoformat() == "2026-04-10T08:00:00+02:00"  # not Good Friday, not Easter Monday
    at = datetime(2026, 4, 3)
    starts = [start.date() for start, _ in opening_times(at, at, easter.timezone, easter.hours, easter.closures)]
    assert date(2026, 4, 3) not in starts


@pytest.mark.parametrize(
    ("holidays", "says"),
    [
        ('"XX"', 'line 7, hours, holidays: "XX" is no place whose holidays are known. Expected a country'),
        ('"DE-ZZ"', "Parts known of DE: BB, BE"),
        ("3", "3 is not a text"),
    ],
)
def test_a_place_that_is_not_known(holidays, says):
    with pytest.raises(ShopFileError, match=says):
        shop(holidays)


def test_without_the_library_the_remedy_is_told(monkeypatch):
    monkeypatch.setitem(sys.modules, "holidays", None)
    with pytest.raises(
        ShopFileError, match=r"is not installed\. Run: pip install 'calib\[holidays\]', or write the days"
    ):
        shop('"DE"', "closures = [2026-08-04]\n")


def test_a_shop_that_names_no_place_does_not_load_the_library(monkeypatch):
    monkeypatch.setitem(sys.modules, "holidays", None)
    assert shop_from_text(SHOP).closures == ()
