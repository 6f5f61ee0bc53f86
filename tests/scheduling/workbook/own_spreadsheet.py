"""A made-up company's own workbook, as companies keep theirs: nothing in it is like the template."""

import random
from datetime import date, timedelta
from pathlib import Path

from openpyxl import Workbook

STREETS = ("Ash Lane", "Birch Road", "Canal Street", "Dock Street", "Elm Court")
TOWNS = ("Corvane", "Eastfold", "Milbrook", "Saltney")
TRADES = ("Bakery", "Café", "Dental", "Florist", "Laundry", "School")
WORKS = (
    "changed filters", "Replaced sediment and carbon", "sed + carbon block", "annual service", "new membrane",
    "carbon changed, membrane next visit", "filters changed. post filter ok", "checked TDS, all ok",
    "customer called: low pressure, swapped sediment",
)  # fmt: skip
TODAY = date(2026, 11, 30)


def _day(day: date, form: int) -> object:
    """A day in one of the forms that stand mixed in such a column."""
    forms = (day, day.strftime("%m/%d/%Y"), day.strftime("%b %d, %Y"))
    return forms[form % 3]


def write_own_spreadsheet(path: Path, *, units: int = 40, visits: int = 400, seed: int = 7) -> dict[str, int]:
    """Write the workbook; return how many customers, sites, units and visits are in it."""
    dice = random.Random(seed)
    book = Workbook()
    sheet = book.active
    sheet.title = "Machines 2026"
    sheet.append(["Clearbrook Water Service (invented) - machine list"])
    sheet.merge_cells("A1:P1")
    sheet.append([])
    sheet.append(
        ["Customer", "Phone", "E-mail", "Street address", "City", "ZIP", "Gate code / access", "RO Serial #",
         "Model", "Date installed", "Daily usage (gal)", "Feed TDS", "Hardness", "Recovery %",
         "Last meter reading",
         "Reading date", "Sediment changed", "Carbon changed", "Membrane changed", "Monthly fee", "Notes"]
    )  # fmt: skip
    serials = []
    sites = max(1, units * 5 // 8)
    for number in range(units):
        if number % 13 == 0:
            sheet.append([f"ROUTE {number // 13 + 1}"])
        place = number % sites
        customer = f"{TOWNS[place % 4]} {TRADES[place % 6]} {place} (invented)"
        installed = TODAY - timedelta(days=dice.randrange(500, 4000))
        serial = f"RO-{1000 + number}"
        serials.append(serial)
        days = [TODAY - timedelta(days=dice.randrange(20, limit)) for limit in (200, 300, 490)]
        gallons = dice.randrange(5_000, 90_000)
        sheet.append(
            [customer, f"555-{place:04d}", f"office{place}@example.invalid",
             f"{place + 1} {STREETS[place % 5]}",
             TOWNS[place % 4], f"680{place % 90:02d}", "Ring at back", serial, "RO 500",
             _day(installed, number),
             dice.choice([60, "80", "~100"]), dice.choice(["450ppm", 380, "410 ppm"]),
             dice.choice(["15gr", "12 gpg", "18"]),
             dice.choice(["45%", 50, 0.5]), dice.choice([f"{gallons:,}", f"{gallons / 1000:.1f}K", gallons]),
             _day(TODAY - timedelta(days=dice.randrange(2, 40)), number + 1), _day(days[0], number),
             _day(days[1], number + 1), _day(days[2], number + 2), dice.choice(["$24.00", "$39.50", 31]),
             dice.choice([None, "dog", "see Bill"])]
        )  # fmt: skip
    sheet.append(["Total", None, None, None, None, None, None, units])
    history = book.create_sheet("Service log")
    history.append(["Service history since 2014"])
    history.append(["Date", "Customer", "Serial", "Work done", "Tech", "Comments"])
    for number in range(visits):
        work = dice.choice(WORKS)
        serial = dice.choice(serials)
        spelled = dice.choice([serial, serial.lower(), serial.replace("-", " ")])
        day = TODAY - timedelta(days=dice.randrange(500, 4000))
        history.append([_day(day, number), None, spelled, work, dice.choice(["Bo", "Ines"]), None])
    book.save(path)
    return {"customers": sites, "sites": sites, "units": units, "visits": visits}


if __name__ == "__main__":
    import sys

    print(write_own_spreadsheet(Path(sys.argv[1]), units=400, visits=5000))
