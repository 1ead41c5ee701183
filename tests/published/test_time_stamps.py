"""Stamps: RFC 3339, section 5.8; RFC 5545, section 3.3.5; transitions of the tz database."""

from __future__ import annotations

from datetime import datetime
from zoneinfo import ZoneInfo

import duckdb
import pytest
from hypothesis import given
from hypothesis import strategies as st

from calib.calendar.local_time import steps, to_utc
from calib.store.cells import stamp_query


def read(text: str) -> str:
    """A stamp as the import reads it, UTC where it has an offset."""
    with duckdb.connect() as con:
        con.execute("SET TimeZone = 'UTC'")
        return str(con.execute(f"SELECT {stamp_query('v')} FROM (SELECT ?::VARCHAR AS v)", [text]).fetchone()[0])


@pytest.mark.parametrize(
    ("text", "utc"),
    [
        ("1985-04-12T23:20:50.52Z", "1985-04-12 23:20:50.520000"),
        ("1996-12-19T16:39:57-08:00", "1996-12-20 00:39:57"),
        ("1990-12-31T23:59:60Z", "1990-12-31 23:59:59"),  # a leap second is read as the second before it
        ("1990-12-31T15:59:60-08:00", "1990-12-31 23:59:59"),
        ("1937-01-01T12:00:27.87+00:20", "1937-01-01 11:40:27.870000"),
    ],
)
def test_rfc_3339_examples(text, utc):
    # RFC 3339, section 5.8, "Examples"; texts from memory.
    assert read(text) == utc


@pytest.mark.parametrize(
    "text", ["2026-11-20T08:30", "2026-11-20 08:30:00", "20261120T0830", "20261120T083000", "2026-11-20T08:30:00,0"]
)
def test_iso_8601_extended_and_basic_without_offset(text):
    assert read(text) == "2026-11-20 08:30:00"


@pytest.mark.parametrize(
    "text",
    [
        "2026-11-20",
        "2026-13-20T08:30",
        "2026-02-30T08:30",
        "08:30",
        "20.11.2026 08:30",
        "",
        "2026-11-20 08.30",
        "2026-11-20 08:3",
        "2026-11-20 08:30,5",
    ],
)
def test_what_is_no_stamp(text):
    assert read(text) == "None"


def test_a_local_time_that_exists_twice_means_the_first():
    # RFC 5545, section 3.3.5: 2007-11-04 01:30 in New York is EDT, so 05:30 UTC.
    assert to_utc(datetime(2007, 11, 4, 1, 30), "America/New_York") == datetime(2007, 11, 4, 5, 30)


def test_a_local_time_that_does_not_exist_moves_forward_by_the_gap():
    # RFC 5545, section 3.3.5: 2007-03-11 02:30 in New York is 03:30 EDT, so 07:30 UTC.
    assert to_utc(datetime(2007, 3, 11, 2, 30), "America/New_York") == datetime(2007, 3, 11, 7, 30)


@pytest.mark.parametrize(
    ("zone", "year", "changes"),
    [
        ("Europe/Berlin", 2026, 2),
        ("America/New_York", 2026, 2),
        ("Australia/Lord_Howe", 2026, 2),  # half an hour
        ("Asia/Kolkata", 2026, 0),
        ("UTC", 2026, 0),
        ("Africa/Casablanca", 2026, 2),  # around Ramadan
        ("Pacific/Apia", 2011, 3),  # skipped a day
    ],
)
def test_changes_of_the_tz_database(zone, year, changes):
    assert len([step for step in steps(zone, year, year) if step.kind and step.odd_from.year == year]) == changes


ZONES = ["Europe/Berlin", "America/New_York", "Australia/Lord_Howe", "Africa/Casablanca", "America/Sao_Paulo", "UTC"]


@given(st.sampled_from(ZONES), st.datetimes(datetime(1995, 1, 1), datetime(2037, 12, 31)))
def test_local_times_agree_with_zoneinfo(zone, local):
    # zoneinfo with fold 0 has the rule of RFC 5545 for both cases.
    expected = local.replace(tzinfo=ZoneInfo(zone)).astimezone(ZoneInfo("UTC")).replace(tzinfo=None)
    assert to_utc(local, zone) == expected
