"""One table of the acts that keep the register: each is one service, and pages, API and workbook lead to it.

The workbook writes many rows at once: a sheet obeys the same constraints and look-alike rules, not the same
function. A door an act lacks says so with "none, because …".
"""

import inspect
import re
from importlib import import_module
from typing import Final, NamedTuple

import pytest
from django.urls import get_resolver

from fleet.register import catalogue, customers, sites, units
from scheduling.crew import calendar, team
from scheduling.register import acts
from scheduling.workbook.sheets import SHEETS
from tests.api.access_table import ADDRESSES

KEPT: Final = (customers, sites, units, catalogue, acts, team, calendar)
"""Where the services are."""
ONE_ROW: Final = "none, because a workbook brings rows, not what happens to one"
BY_HAND: Final = "none, because it is done on a page by somebody who looks"
LATER: Final = "none, because no program has needed it yet"


class Act(NamedTuple):
    """A service and its doors: name of the page's address, operation of the API, sheet of the workbook."""

    service: str
    page: str
    api: str
    sheet: str


ACTS: Final = [
    Act("fleet.register.customers.add_customer", "add_customer", "POST customers", "customers"),
    Act("fleet.register.customers.change_customer", "change_customer", "PATCH customers/<int:pk>",
        "customers"),
    Act("fleet.register.customers.set_contacts", "change_customer", LATER, ONE_ROW),
    Act("scheduling.register.acts.merge_customers", "merge_customers", "POST customers/<int:pk>/merge",
        ONE_ROW),
    Act("fleet.register.sites.add_site", "add_site", "POST sites", "sites"),
    Act("fleet.register.sites.change_site", "change_site", "PATCH sites/<int:pk>", "sites"),
    Act("scheduling.register.acts.close_site", "close_site", LATER, ONE_ROW),
    Act("fleet.register.sites.reopen_site", "reopen_site", LATER, ONE_ROW),
    Act("scheduling.register.acts.take_over_site", "take_over_site", "POST sites/<int:pk>/takeover", ONE_ROW),
    Act("fleet.register.sites.add_supply", "add_supply", "POST supplies", "supplies"),
    Act("fleet.register.sites.change_supply", "change_supply", "PATCH supplies/<int:pk>", "supplies"),
    Act("fleet.register.units.add_unit", "add_unit", "POST treatment-units", "treatment_units"),
    Act(
        "fleet.register.sites.change_treatment_unit", "change_unit", "PATCH treatment-units/<int:pk>",
        "treatment_units",
    ),
    Act(
        "fleet.register.units.commission_unit", "commission_unit",
        "POST treatment-units/<int:pk>/commissioning", ONE_ROW,
    ),
    Act(
        "scheduling.register.acts.retire_unit", "retire_unit", "POST treatment-units/<int:pk>/retirement",
        ONE_ROW,
    ),
    Act("fleet.register.units.take_retirement_back", "take_retirement_back", LATER, ONE_ROW),
    Act("scheduling.register.acts.swap_unit", "swap_unit", "POST treatment-units/<int:pk>/swap", ONE_ROW),
    Act("scheduling.register.acts.move_unit", "move_unit", "POST treatment-units/<int:pk>/move", ONE_ROW),
    Act(
        "fleet.register.units.change_positions", "change_unit", "POST treatment-units/<int:pk>/positions",
        "parts",
    ),
    Act("fleet.register.units.put_part_in", "change_part", "POST parts", "parts"),
    Act("fleet.register.units.take_part_out", "change_part", "POST parts/<int:pk>/removal", "parts"),
    Act("fleet.register.units.replace_part", "change_part", "POST parts/<int:pk>/replacement", "parts"),
    Act("fleet.register.catalogue.add_part_kind", "add_part_kind", "POST part-kinds", "catalogue"),
    Act("fleet.register.catalogue.change_part_kind", "change_part_kind", "PATCH part-kinds/<int:pk>",
        "catalogue"),
    Act("fleet.register.catalogue.add_unit_model", "add_unit_model", "POST unit-models", BY_HAND),
    Act("fleet.register.catalogue.change_unit_model", "change_unit_model", "PATCH unit-models/<int:pk>",
        BY_HAND),
    Act("fleet.register.catalogue.model_from_unit", "model_from_unit", BY_HAND, ONE_ROW),
    Act("fleet.register.catalogue.add_examples", "add_examples", BY_HAND, ONE_ROW),
    Act("scheduling.crew.team.add_technician", "new_technician", "POST technicians", "technicians"),
    Act("scheduling.crew.team.change_technician", "change_technician", LATER, "technicians"),
    Act("scheduling.crew.team.set_pattern", "set_pattern", "POST technicians/<int:pk>/week", "shifts"),
    Act("scheduling.crew.calendar.add_absence", "add_absence", "POST technicians/<int:pk>/absences",
        "absences"),
    Act("scheduling.crew.calendar.end_absence", "end_absence", "POST technicians/<int:pk>/absences/end",
        ONE_ROW),
    Act("scheduling.crew.calendar.close_site", "site_closures", "POST sites/<int:pk>/closures", BY_HAND),
    Act("scheduling.crew.calendar.reopen_site", "end_closure", "POST sites/<int:pk>/closures/end", ONE_ROW),
    Act("scheduling.crew.calendar.set_region", "set_holiday_region", LATER, BY_HAND),
    Act("scheduling.crew.calendar.set_day", "set_calendar_day", LATER, BY_HAND),
]  # fmt: skip
INNER: Final = {f"fleet.register.{name}" for name in (
    "customers.merge_customers", "sites.close_site", "sites.take_over_site", "units.retire_unit",
    "units.swap_unit", "units.move_unit", "units.refuse_to_come",
)}  # fmt: skip
"""Called by the act of the same name in scheduling, which minds work and plans too; and a shared check."""


def test_every_service_of_the_register_is_an_act_once():
    found = {
        f"{module.__name__}.{name}"
        for module in KEPT
        for name, function in inspect.getmembers(module, inspect.isfunction)
        if function.__module__ == module.__name__
        and not name.startswith("_")
        and {"actor", "by"} & set(inspect.signature(function).parameters)
    }
    named = [act.service for act in ACTS]
    assert len(named) == len(set(named))
    assert set(named) == found - INNER


@pytest.mark.parametrize("act", ACTS, ids=lambda act: act.service.split(".", 1)[1])
def test_each_door_of_an_act_leads_to_its_service(act):
    module, name = act.service.rsplit(".", 1)
    assert callable(getattr(import_module(module), name))
    pages = dict(_pages(get_resolver()))
    operations = {
        f"{method} {address}": getattr(viewset, action) for method, address, viewset, action in ADDRESSES
    }
    for door, doors in ((act.page, pages), (act.api, operations)):
        if not door.startswith("none, because "):
            source = inspect.getsource(inspect.unwrap(doors[door]))
            called = re.search(
                rf"(?<![\w.])({module.rsplit('.', 1)[1]}\.)?{name}\(",
                source.split("def ", 1)[1].partition(":\n")[2],
            )
            assert called, door
    assert act.sheet.startswith("none, because ") or act.sheet in {sheet.name for sheet in SHEETS}


def _pages(resolver):
    for one in resolver.url_patterns:
        if hasattr(one, "url_patterns"):
            yield from _pages(one)
        elif one.name:
            yield one.name, one.callback
