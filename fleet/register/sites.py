"""Adds and changes sites and water supplies; closes and reopens sites; sites that go to another customer.

What is known of a treatment unit, and whether it works, is changed here too.
"""

from collections.abc import Mapping
from datetime import date, timedelta
from typing import Any, Final
from zoneinfo import available_timezones

from django.db import transaction
from django.db.models import Q

from fleet.models import AuditArea, Branch, Customer, FormerCustomer, MakeUp, Site, TreatmentUnit, WaterSupply
from fleet.people.audit import Actor
from fleet.register import rows
from shared.errors import DomainError
from shared.messages import message
from shared.periods import local_day

SITE_DETAILS = (
    "name", "address", "area", "latitude", "longitude", "access_note", "kind", "is_closed", "supply",
    "branch", "time_zone",
)  # fmt: skip
UNIT_DETAILS = (
    "label", "idle_limit_days", "is_out_of_service", "out_of_service_reason", "note", "commissioned_on",
    "design_recovery", "design_use_gal_per_day", "design_permeate_gpm", "mains_voltage",
    *MakeUp.names(), "promised_conductivity_us_cm",
)  # fmt: skip
SUPPLY_DETAILS = ("name", "kind")
MOST_AHEAD: Final = timedelta(days=731)
"""So far ahead a site is closed or reopened; more is a mistyped year."""


@transaction.atomic
def add_site(
    *, customer: Customer, branch: Branch, name: str, actor: Actor, code: str = "", **given: Any
) -> Site:
    """Add a place; without a code it gets the next one, without a time zone its branch's.

    Raises DomainError for a code that looks like another's, a customer merged away, or an impossible value.
    """
    if customer.merged_into_id:
        raise DomainError(
            message("{name} was merged into another customer.", name=customer.name),
            remedy=message("Add the site at that one."),
            field="customer",
        )
    code = code.strip() or rows.next_code(Site, "S")
    rows.refuse_look_alike(Site, code, what=message("site"))
    given["time_zone"] = given.get("time_zone") or branch.time_zone
    _check_place(given)
    made = Site(code=code, name=name, customer=customer, branch=branch, **given)
    told = f"{name}, {customer.code}, {branch.code}"
    return rows.add(made, what=message("site added"), actor=actor, detail=told)


@transaction.atomic
def change_site(site: Site, *, actor: Actor, seen: Mapping[str, Any] | None = None, **details: Any) -> Site:
    """Change some of SITE_DETAILS. Raises Overtaken, or DomainError for what no site can have."""
    _check_place({name: getattr(site, name) for name in ("latitude", "longitude", "time_zone")} | details)
    if "is_closed" in details and not details["is_closed"] and site.is_closed:
        site = reopen_site(site, from_on=_today(site, actor), actor=actor)
        details = {name: value for name, value in details.items() if name != "is_closed"}
    elif details.get("is_closed") and not site.is_closed:
        site = close_site(site, from_on=_today(site, actor), actor=actor)
        details = {name: value for name, value in details.items() if name != "is_closed"}
    return rows.change(
        site, details, known=SITE_DETAILS, what=message("site changed"), actor=actor, seen=seen
    )


def _check_place(given: Mapping[str, Any]) -> None:
    latitude, longitude = given.get("latitude"), given.get("longitude")
    if (latitude is None) != (longitude is None):
        missing = "latitude" if latitude is None else "longitude"
        raise DomainError(
            message("Half a place is none: {missing} is missing.", missing=missing),
            remedy=message("Fill in both, or leave both blank."),
            field=missing,
        )
    if latitude == 0 and longitude == 0:
        raise DomainError(
            message("0, 0 lies in the Gulf of Guinea; programs write it where nothing is known."),
            remedy=message("Leave both blank, or give the true place."),
            field="latitude",
        )
    for name, most in (("latitude", 90), ("longitude", 180)):
        value = given.get(name)
        if value is not None and not -most <= value <= most:
            raise DomainError(
                message("{value:g} is no {name}.", value=value, name=name),
                remedy=message("Give degrees from −{most} to {most}, e.g. 41.05.", most=most),
                field=name,
            )
    if given.get("time_zone") and given["time_zone"] not in available_timezones():
        raise DomainError(
            message("There is no time zone {name!r}.", name=given["time_zone"]),
            remedy=message("Write it as America/Chicago."),
            field="time_zone",
        )


def _today(site: Site, actor: Actor) -> date:
    return local_day(actor.now, site.time_zone)


@transaction.atomic
def close_site(site: Site, *, from_on: date, actor: Actor) -> Site:
    """Let a site no longer be visited from a day on; at once, or when the day comes.

    Raises DomainError when it is closed already, or for an unbelievable day.
    """
    site = Site.objects.select_for_update(of=("self",)).get(pk=site.pk)
    today = _today(site, actor)
    if site.is_closed and site.reopens_on is None:
        raise DomainError(
            message("{site} is closed already.", site=site.name),
            remedy=message("Reopen it to close it anew."),
        )
    if not rows.FIRST_DAY <= from_on <= today + MOST_AHEAD:
        raise DomainError(
            message("{from_on:%d %b %Y} can't be the day a site closes.", from_on=from_on),
            remedy=message("Check the year."),
            field="from_on",
        )
    site.closed_on, site.reopens_on, site.is_closed = from_on, None, from_on <= today
    site.save(update_fields=["closed_on", "reopens_on", "is_closed"])
    told = message("from {from_on:%d %b %Y} on", from_on=from_on)
    actor.note(message("site closed"), area=AuditArea.FLEET, about=site.code, detail=told)
    return site


@transaction.atomic
def reopen_site(site: Site, *, from_on: date, actor: Actor) -> Site:
    """Let a closed site be visited again from a day on. Raises DomainError when it is not closed."""
    site = Site.objects.select_for_update(of=("self",)).get(pk=site.pk)
    today = _today(site, actor)
    if not site.is_closed and site.closed_on is None:
        raise DomainError(
            message("{site} is not closed.", site=site.name), remedy=message("There is nothing to reopen.")
        )
    if not rows.FIRST_DAY <= from_on <= today + MOST_AHEAD:
        raise DomainError(
            message("{from_on:%d %b %Y} can't be the day a site reopens.", from_on=from_on),
            remedy=message("Check the year."),
            field="from_on",
        )
    site.closed_on = site.closed_on or today
    if from_on <= today or from_on <= site.closed_on:
        site.closed_on, site.reopens_on, site.is_closed = None, None, False
    else:
        site.reopens_on = from_on
    site.save(update_fields=["closed_on", "reopens_on", "is_closed"])
    told = message("from {from_on:%d %b %Y} on", from_on=from_on)
    actor.note(message("site reopened"), area=AuditArea.FLEET, about=site.code, detail=told)
    return site


def keep_closings(*, now: Any) -> int:
    """Close and reopen the sites whose day has come, each on its own calendar. Returns how many changed."""
    waiting = Site.objects.filter(Q(is_closed=False, closed_on__isnull=False) | Q(reopens_on__isnull=False))
    done = 0
    for site in waiting.only("pk", "time_zone", "closed_on", "reopens_on", "is_closed"):
        today = local_day(now, site.time_zone)
        same_row = Site.objects.filter(pk=site.pk, closed_on=site.closed_on, reopens_on=site.reopens_on)
        if site.reopens_on is not None and site.reopens_on <= today:
            done += same_row.update(closed_on=None, reopens_on=None, is_closed=False)
        elif not site.is_closed and site.closed_on is not None and site.closed_on <= today:
            done += same_row.update(is_closed=True)
    return done


@transaction.atomic
def take_over_site(
    site: Site, *, customer: Customer, from_on: date, actor: Actor, seen_customer: int
) -> Site:
    """Make a site another customer's from a day on; what was earned before stays the former one's.

    ``seen_customer`` is the key of the customer the person saw there. Raises DomainError when another took
    it over meanwhile, for the same customer, a day to come or before an earlier change, or a name taken.
    """
    site = Site.objects.select_for_update(of=("self",)).get(pk=site.pk)
    if site.customer_id != seen_customer:
        raise rows.Overtaken(
            site,
            {"customer": Customer.objects.filter(pk=seen_customer).first()},
            {"customer": site.customer},
        )
    if customer.pk == site.customer_id or customer.merged_into_id:
        raise DomainError(
            message("{site} can't go to {customer}.", site=site.name, customer=customer.name),
            remedy=message("Choose another customer who is served."),
            field="customer",
        )
    last = site.former_customers.order_by("-until_on").values_list("until_on", flat=True).first()
    rows.check_day(
        from_on,
        today=_today(site, actor),
        field="from_on",
        first=last + timedelta(days=1) if last else None,
    )
    former = site.customer
    FormerCustomer.objects.create(site=site, customer=former, until_on=from_on)
    site.customer = customer
    rows.check(site)
    site.save(update_fields=["customer"])
    told = message(
        "{former} → {customer} from {from_on:%d %b %Y} on",
        former=former.code,
        customer=customer.code,
        from_on=from_on,
    )
    actor.note(message("site taken over"), area=AuditArea.FLEET, about=site.code, detail=told)
    return site


def payers(site_ids: list[int]) -> dict[int, list[tuple[date, Customer]]]:
    """Return for sites that changed hands each former customer with the first day that was not theirs."""
    found: dict[int, list[tuple[date, Customer]]] = {}
    rows_ = FormerCustomer.objects.select_related("customer").order_by("until_on")
    for start in range(0, len(site_ids), 500):
        for one in rows_.filter(site_id__in=site_ids[start : start + 500]):
            found.setdefault(one.site_id, []).append((one.until_on, one.customer))
    return found


@transaction.atomic
def add_supply(*, name: str, actor: Actor, code: str = "", **details: Any) -> WaterSupply:
    """Add a water supply; without a code it gets the next one. Raises DomainError for a look-alike code."""
    code = code.strip() or rows.next_code(WaterSupply, "W")
    rows.refuse_look_alike(WaterSupply, code, what=message("water supply"))
    made = WaterSupply(code=code, name=name, **details)
    return rows.add(made, what=message("water supply added"), actor=actor, detail=name)


@transaction.atomic
def change_supply(
    supply: WaterSupply, *, actor: Actor, seen: Mapping[str, Any] | None = None, **details: Any
) -> WaterSupply:
    """Change some of SUPPLY_DETAILS. Raises Overtaken, or DomainError for what no supply can have."""
    what = message("water supply changed")
    return rows.change(supply, details, known=SUPPLY_DETAILS, what=what, actor=actor, seen=seen)


@transaction.atomic
def change_treatment_unit(
    unit: TreatmentUnit, *, actor: Actor, seen: Mapping[str, Any] | None = None, **details: Any
) -> TreatmentUnit:
    """Change some of UNIT_DETAILS. Raises Overtaken, or DomainError for what no treatment unit can have."""
    if details.get("is_out_of_service") and not (
        details.get("out_of_service_reason") or unit.out_of_service_reason
    ):
        raise DomainError(
            message("{unit} can't go out of service without a reason.", unit=unit),
            remedy=message("Say why in a few words."),
            field="out_of_service_reason",
        )
    if "is_out_of_service" in details and not details["is_out_of_service"] and unit.retired_on:
        raise DomainError(
            message("{unit} was retired on {day:%d %b %Y}.", unit=unit, day=unit.retired_on),
            remedy=message("Take the retirement back on its page first."),
            field="is_out_of_service",
        )
    if details.get("commissioned_on"):
        today = local_day(actor.now, unit.site.time_zone)
        rows.check_day(details["commissioned_on"], today=today, field="commissioned_on")
    what = message("treatment unit changed")
    return rows.change(unit, details, known=UNIT_DETAILS, what=what, actor=actor, seen=seen)
