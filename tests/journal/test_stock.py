"""Powder in stock: figures by hand, as one would with a pencil beside the sacks."""

from dataclasses import replace
from datetime import date

import pytest

from tests.journal.test_journal import ENTRY
from volest.journal import Case, Delivery, Entry, written
from volest.lab import Lab, OwnStone
from volest.stock import case_lines, lots, stock_lines

TODAY = date(2031, 6, 30)
CAME = Delivery(booked="2031-05-01T08:00:00+00:00", stone="type-4", powder_g=5000.0)


def poured(day: str, powder_g: float, lot: str | None = None) -> Entry:
    return replace(ENTRY, booked=f"{day}T09:00:00+00:00", powder_g=powder_g, lot=lot)


def test_what_is_left_of_each_lot() -> None:
    deliveries = [
        replace(CAME, lot="B", expires="2031-12-31"),
        replace(CAME, lot="A", expires="2031-07-09"),
        replace(CAME, lot="A", powder_g=-200.0),  # a torn sack
    ]
    entries = [
        poured("2031-04-01", 900.0),  # before any came
        poured("2031-04-02", 50.0, "A"),  # that lot, whenever it was booked
        poured("2031-06-01", 1000.0, "A"),
        poured("2031-06-11", 800.0, "B"),
        poured("2031-06-21", 300.0),
    ]
    left = {lot.lot: (lot.came_g, lot.left_g) for lot in lots(entries, deliveries)}
    assert left == {"A": (4800.0, 3750.0), "B": (5000.0, 4200.0), None: (0.0, -300.0)}
    # 2100 g from June 1st to 30th are 70 g a day; 10 days to July 9th take 700 g of 3750.
    assert stock_lines(entries, deliveries, TODAY) == [
        "Stock of type-4: 7650 g of 9800 g, for 109 days at 70 g a day",
        "  lot A: 3750 g of 4800 g, expires 2031-07-09, about 3050 g will be left by then",
        "  lot B: 4200 g of 5000 g, expires 2031-12-31",
        "  300 g were poured without a lot that came",
    ]


def test_what_expires_sooner_is_used_before_the_rest() -> None:
    # 100 g a day for 10 days to July 9th: 1000 g, of which A takes 400 and leaves 600 for B.
    deliveries = [
        replace(CAME, lot="A", expires="2031-07-09", powder_g=400.0),
        replace(CAME, lot="B", expires="2031-07-09", powder_g=700.0),
    ]
    used = [replace(poured("2031-06-21", 1000.0), stone="type-4", lot=None)]
    lines = stock_lines(used, [*deliveries, replace(CAME, powder_g=1000.0)], TODAY)
    assert lines[1:] == [
        "  lot A: 400 g of 400 g, expires 2031-07-09",
        "  lot B: 700 g of 700 g, expires 2031-07-09, about 100 g will be left by then",
    ]


@pytest.mark.parametrize(
    ("powder_g", "told"),
    [
        # 700 g in the last 7 days at least: 100 g a day.
        (2200.0, "Stock of type-4: 1500 g of 2200 g, for 15 days at 100 g a day"),
        (2000.0, "Stock of type-4: 1300 g of 2000 g, for 13 days at 100 g a day: order powder"),
        (500.0, "Stock of type-4: -200 g of 500 g: more was booked than came"),
    ],
)
def test_a_stone_that_runs_out(powder_g: float, told: str) -> None:
    entries = [poured("2031-06-30", 700.0)]
    came = [replace(CAME, powder_g=powder_g, lot="A")]
    assert stock_lines([replace(entries[0], lot="A")], came, TODAY)[0] == told


def test_a_lot_past_its_date() -> None:
    came = [replace(CAME, lot="A", expires="2031-06-29")]
    assert stock_lines([], came, TODAY)[1] == "  lot A: 5000 g of 5000 g, expired 2031-06-29"
    assert stock_lines([], [], TODAY) == []


def test_a_shared_mix_is_parted_by_its_cavities() -> None:
    parts = [
        Case(name=f"day/{name}.stl", cavity=1, pour="first", content=name, volume_ml=volume_ml)
        for name, volume_ml in (("a", 30.0), ("b", 10.0))
    ]
    base = replace(parts[0], pour="base", name="copy/a.stl")
    entries = [
        replace(ENTRY, powder_g=200.0, cases=written(parts)),
        replace(ENTRY, powder_g=50.0, stone="type-3", cases=written([base])),
    ]
    stones = (OwnStone(name="type-4", price_per_kg=10.0), OwnStone(name="type-3", price_per_kg=2.0))
    # 200 g at 10 a kg are 2.00, of which three quarters fall to a; its base is 0.10.
    assert case_lines(entries, Lab(stone=stones, currency="CHF")) == [
        "Powder of the last cases, in CHF",
        "  day/b.stl: first pour 0.50",
        "  copy/a.stl: first pour 1.50, base 0.10; together 1.60",
    ]
    half = case_lines(entries, Lab(stone=stones[:1]))
    assert half[-1] == "  copy/a.stl: first pour 1.50, base without a price"
    assert case_lines(entries, Lab()) == []
