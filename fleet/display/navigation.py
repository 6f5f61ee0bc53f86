"""Which pages a person is led to: those of every day first, the rest under plain headings. Names only."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Final

from django.urls import NoReverseMatch, reverse
from django.utils.functional import Promise
from django.utils.translation import gettext_lazy as _

Words = str | Promise


@dataclass(frozen=True)
class Page:
    """One entry. ``needs`` are permissions by name, all of them; ``also`` are pages that belong to it."""

    name: str
    words: Words
    needs: str = ""
    also: str = ""
    not_with: str = ""
    """A permission that makes the entry needless."""
    key: str = ""
    """The key that opens it, with the browser's own keys for that (Alt, or Alt and Shift)."""


@dataclass(frozen=True)
class Link:
    """An entry as one person sees it on one page."""

    address: str
    words: Words
    is_here: bool
    key: str = ""


@dataclass(frozen=True)
class Group:
    """Entries under one heading."""

    words: Words
    links: list[Link] = field(default_factory=list)

    @property
    def is_here(self) -> bool:
        """Whether the page at hand is one of these."""
        return any(link.is_here for link in self.links)


DAILY: Final = (
    Page("day", _("My day"), "see_own_day", "close_out route visit place_of_own_stop", not_with="see_work"),
    Page("stock", _("Parts"), "see_stock", "stock_place", not_with="see_work"),
    Page("planner_overview", _("Overview"), "see_fleet see_work", "long_job field_report"),
    Page(
        "fleet_list", _("Fleet"), "see_fleet",
        "treatment_unit site_page site_map places place_of_site "
        "change_site close_site reopen_site take_over_site add_unit "
        "change_unit commission_unit retire_unit swap_unit move_unit model_from_unit change_part "
        "history_of answer_customer",
    ),
    Page("customers", _("Customers"), "see_fleet",
         "customer_page add_customer change_customer merge_customers new_customer add_site"),
    Page("enter", _("Enter"), "edit_fleet", "enter_unit enter_grid correct_this", key="e"),
    Page("work_orders", _("Work"), "see_work", "work_order new_order"),
    Page(
        "proposals", _("Routes"), "see_work",
        "proposal route move_stop plan_changes compare_plans replan replan_result travel_times plan_prices "
        "feeds",
    ),
    Page("stock", _("Stock"), "see_stock see_work", "stock_place recall"),
    Page(
        "revenue_review", _("Revenue"), "see_revenue",
        "revenue_entries owner_bridge owner_margin owner_risk owner_forecast owner_plan invoices tax_rates "
        "parts_ahead site_costs price_changes new_plan end_plan",
    ),
    Page("guide", _("Guide"), "", "guide_of"),
)  # fmt: skip
GROUPS: Final = (
    (
        _("Company"),
        (
            Page("technicians", _("Technicians"), "see_work", "technician new_technician technician_leaves"),
            Page("company_calendar", _("Days off"), "see_work"),
            Page("people", _("Log-ins"), "manage_people", "person new_person invite_person"),
            Page("catalogue", _("Catalogue"), "see_fleet",
                 "add_part_kind change_part_kind add_unit_model change_unit_model"),
            Page("supplies", _("Water supplies"), "see_fleet", "add_supply change_supply"),
        ),
    ),
    (
        _("Documents"),
        (
            Page("step_sheets", _("Step sheets"), "manage_work", "step_sheet step_sheet_version"),
            Page("labels", _("Labels"), "manage_work"),
            Page("notices", _("Notices"), "manage_work", "notice"),
        ),
    ),
    (
        _("Integrations"),
        (
            Page("import_fleet", _("Import"), "import_fleet", "import_preview import_columns"),
            Page(
                "telemetry", _("Telemetry"), "connect",
                "telemetry_map new_telemetry_map last_heard dead_letters dead_letter",
            ),
            Page("webhooks", _("Webhooks"), "connect", "webhook webhook_delivery webhook_help"),
            Page("own_tokens", _("API tokens"), "use_api", "api_with_python"),
        ),
    ),
    (
        _("System"),
        (
            Page("operations", _("Operations"), "see_operations"),
            Page("audit_trail", _("Activity"), "see_changes"),
            Page("personal_data", _("People’s data"), "handle_personal_data", "one_persons_data"),
            Page("how_we_know", _("Methodology"), "", "how_sure"),
        ),
    ),
    (
        _("Account"),
        (
            Page("own_settings", _("My settings")),
            Page("own_log_in", _("Your log-in"), "", "set_up_second_factor"),
        ),
    ),
)  # fmt: skip
FEWEST_IN_GROUPS: Final = 6
"""Whoever is led to no more than so few pages needs no headings."""


def navigation(can: Mapping[str, bool], here: str) -> tuple[list[Link], list[Group]]:
    """Return the entries of every day and the groups of the rest, for what a person may and where one is."""
    daily = _links(DAILY, can, here)
    groups = [Group(words, _links(pages, can, here)) for words, pages in GROUPS]
    groups = [group for group in groups if group.links]
    if len(daily) + sum(len(group.links) for group in groups) <= FEWEST_IN_GROUPS:
        return daily + [link for group in groups for link in group.links], []
    return daily, groups


def _links(pages: tuple[Page, ...], can: Mapping[str, bool], here: str) -> list[Link]:
    return [_link(page, here) for page in pages if _is_for(page, can)]


def _is_for(page: Page, can: Mapping[str, bool]) -> bool:
    return all(can.get(need) for need in page.needs.split()) and not can.get(page.not_with)


def _link(page: Page, here: str, find: Callable[[str], str] = reverse) -> Link:
    try:
        address = find(page.name)
    except NoReverseMatch:
        address = ""
    return Link(address, page.words, here == page.name or here in page.also.split(), page.key)
