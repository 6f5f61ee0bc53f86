"""Who may do what, as one table a manager can read. No Django.

Every page, command and endpoint asks this table; a test walks them all against it.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class Permission(StrEnum):
    """One thing a person may do. The value is what the table below lists."""

    SEE_FLEET = "see the fleet: sites, treatment units, parts, readings, findings"
    EDIT_FLEET = "change sites, treatment units, parts and catalogue"
    RECORD_READINGS = "record readings and feed tests"
    IMPORT_FLEET = "bring in spreadsheets"
    RUN_ASSESSMENT = "have the fleet assessed and work raised"
    SEE_WORK = "see every work order and route"
    MANAGE_WORK = "raise, change, withdraw and undo work"
    PLAN_ROUTES = "plan and publish routes"
    SEE_OWN_DAY = "see the own day's stops"
    CLOSE_OWN_STOPS = "close out the own stops"
    SEE_STOCK = "see parts on vans and shelves"
    SEE_REVENUE = "see prices and revenue"
    SEE_MARGINS = "see costs and margins"
    CORRECT_MONEY = "correct entries and close months"
    MANAGE_PEOPLE = "give people their log-ins and roles"
    HANDLE_PERSONAL_DATA = "take out or erase what is kept about one person"
    SEE_OPERATIONS = "see what runs by itself and what failed"
    SEE_CHANGES = "look through who changed what"
    USE_API = "make tokens for other programs"
    CONNECT = "set up what comes in by telemetry and goes out by webhook"


class Role(StrEnum):
    """What a person is to the service company."""

    PLANNER = "planner"
    TECHNICIAN = "technician"
    OWNER = "owner"
    INTEGRATOR = "integrator"


@dataclass(frozen=True)
class RoleRule:
    """One row of the table."""

    title: str
    what_for: str
    may: frozenset[Permission]


_P = Permission

ROLES: Final[dict[Role, RoleRule]] = {
    Role.PLANNER: RoleRule(
        "Planner",
        "Decides what is done, when and by whom. Sees no margins.",
        frozenset(
            {
                _P.SEE_FLEET,
                _P.EDIT_FLEET,
                _P.RECORD_READINGS,
                _P.IMPORT_FLEET,
                _P.RUN_ASSESSMENT,
                _P.SEE_WORK,
                _P.MANAGE_WORK,
                _P.PLAN_ROUTES,
                _P.SEE_STOCK,
                _P.SEE_REVENUE,
                _P.SEE_OPERATIONS,
                _P.SEE_CHANGES,
                _P.USE_API,
                _P.CONNECT,
            }
        ),
    ),
    Role.TECHNICIAN: RoleRule(
        "Technician",
        "Does the work of the own days and closes it out. Sees no money at all.",
        frozenset({_P.SEE_OWN_DAY, _P.CLOSE_OWN_STOPS, _P.RECORD_READINGS, _P.SEE_STOCK}),
    ),
    Role.OWNER: RoleRule("Owner", "Answers for all of it.", frozenset(Permission)),
    Role.INTEGRATOR: RoleRule(
        "Integrator",
        "Another program: brings readings in, takes lists out. Sees no money.",
        frozenset({_P.SEE_FLEET, _P.RECORD_READINGS, _P.SEE_WORK, _P.SEE_STOCK, _P.USE_API, _P.CONNECT}),
    ),
}


def may(role: str, permission: Permission) -> bool:
    """Say whether a role may do a thing. An unknown role may do nothing."""
    try:
        return permission in ROLES[Role(role)].may
    except ValueError:
        return False
