"""Who may do what, as one table a manager can read. No Django.

Every page, command and endpoint asks this table; a test walks them all against it.
"""

from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from shared.messages import message


class Permission(StrEnum):
    """One thing a person may do. The value is what the table below lists."""

    SEE_FLEET = message("see the fleet: sites, treatment units, parts, readings, findings")
    EDIT_FLEET = message("change sites, treatment units, parts and catalogue")
    RECORD_READINGS = message("record readings and feed tests")
    IMPORT_FLEET = message("bring in spreadsheets")
    RUN_ASSESSMENT = message("have the fleet assessed and work raised")
    SEE_WORK = message("see every work order and route")
    MANAGE_WORK = message("raise, change, withdraw and undo work")
    PLAN_ROUTES = message("plan and publish routes")
    SEE_OWN_DAY = message("see the own day's stops")
    CLOSE_OWN_STOPS = message("close out the own stops")
    SEE_STOCK = message("see parts on vans and shelves")
    SEE_REVENUE = message("see prices and revenue")
    SEE_MARGINS = message("see costs and margins")
    CORRECT_MONEY = message("correct entries and close months")
    MANAGE_PEOPLE = message("give people their log-ins and roles")
    HANDLE_PERSONAL_DATA = message("take out or erase what is kept about one person")
    SEE_OPERATIONS = message("see what runs by itself and what failed")
    SEE_CHANGES = message("look through who changed what")
    USE_API = message("make tokens for other programs")
    CONNECT = message("set up what comes in by telemetry and goes out by webhook")


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
        message("Planner"),
        message("Decides what is done, when and by whom. Sees no margins."),
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
        message("Technician"),
        message("Does the work of the own days and closes it out. Sees no money at all."),
        frozenset({_P.SEE_OWN_DAY, _P.CLOSE_OWN_STOPS, _P.RECORD_READINGS, _P.SEE_STOCK}),
    ),
    Role.OWNER: RoleRule(message("Owner"), message("Answers for all of it."), frozenset(Permission)),
    Role.INTEGRATOR: RoleRule(
        message("Integrator"),
        message("Another program: brings readings in, takes lists out. Sees no money."),
        frozenset({_P.SEE_FLEET, _P.RECORD_READINGS, _P.SEE_WORK, _P.SEE_STOCK, _P.USE_API, _P.CONNECT}),
    ),
}


def may(role: str, permission: Permission) -> bool:
    """Say whether a role may do a thing. An unknown role may do nothing."""
    try:
        return permission in ROLES[Role(role)].may
    except ValueError:
        return False
