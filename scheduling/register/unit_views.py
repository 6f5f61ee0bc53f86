"""Pages that keep treatment units and the parts in them: a form for each act."""

from zoneinfo import ZoneInfo

from django.contrib import messages
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext
from django.views.decorators.http import require_http_methods, require_POST

from fleet.models import TreatmentUnit
from fleet.register import catalogue, units
from fleet.register.parts import part_in
from fleet.register.sites import change_treatment_unit
from scheduling.pages.request_context import now_and_today
from scheduling.register import acts
from scheduling.register.act_page import ActPage, actor_of, do_act, find_site, find_unit, sites_of
from scheduling.register.forms import (
    DayForm,
    ModelNameForm,
    MoveForm,
    NewUnitForm,
    PartForm,
    PositionForms,
    RetireForm,
    SwapForm,
    UnitForm,
    positions_of,
)
from shared.access import requires
from shared.errors import DomainError
from shared.roles import Permission
from shared.translation import translate

form_page = require_http_methods(["GET", "POST"])


def _to_unit(unit: TreatmentUnit) -> str:
    return reverse("treatment_unit", args=[unit.serial])


def _page(unit: TreatmentUnit, title: str, button: str, **more: object) -> ActPage:
    return ActPage(title % {"serial": unit.serial}, button, _to_unit(unit), unit.serial, **more)


@requires(Permission.EDIT_FLEET)
@form_page
def add_unit(request: HttpRequest, code: str) -> HttpResponse:
    """Add a treatment unit to a site, from a model."""
    site = find_site(request, code)
    form = NewUnitForm(request.POST or None, system=request.user.measure_system)
    page = ActPage(
        gettext("Add a treatment unit at %(name)s") % {"name": site.name}, gettext("Add the unit"),
        reverse("site_page", args=[site.code]), site.name,
    )  # fmt: skip

    def act(data: dict) -> TreatmentUnit:
        return units.add_unit(site=site, actor=actor_of(request), **form.details)

    return do_act(
        request, page, form, act,
        done=lambda made: (gettext("%(serial)s is added.") % {"serial": made.serial}, _to_unit(made)),
    )  # fmt: skip


@requires(Permission.EDIT_FLEET)
@form_page
def change_unit(request: HttpRequest, serial: str) -> HttpResponse:
    """Change what is known of a treatment unit, and its positions."""
    unit = find_unit(request, serial)
    form = UnitForm(request.POST or None, instance=unit, system=request.user.measure_system)
    known = [{"code": one.code, "water": one.water} for one in unit.positions.all()]
    places = PositionForms(request.POST or None, prefix="positions", initial=known)
    for one in places:
        one.fields.pop("usual_kind")
    page = _page(unit, gettext("Change %(serial)s"), gettext("Save"))

    @transaction.atomic
    def act(data: dict) -> TreatmentUnit:
        actor = actor_of(request)
        changed = change_treatment_unit(unit, actor=actor, seen=form.seen, **form.details)
        if places.has_changed():
            units.change_positions(changed, positions_of(places), actor=actor)
        return changed

    return do_act(
        request, page, form, act, formset=places,
        done=lambda made: (gettext("%(serial)s is changed.") % {"serial": made.serial}, _to_unit(made)),
    )  # fmt: skip


@requires(Permission.EDIT_FLEET)
@form_page
def commission_unit(request: HttpRequest, serial: str) -> HttpResponse:
    """Put a unit into service."""
    unit = find_unit(request, serial)
    _, today = now_and_today(request)
    form = DayForm(request.POST or None, initial={"on": today})
    lead = gettext("It is in service from that day on, with the usual parts of its model in empty positions.")
    page = _page(unit, gettext("Commission %(serial)s"), gettext("Put it into service"), lead=lead)
    return do_act(
        request, page, form, lambda data: units.commission_unit(unit, actor=actor_of(request), **data),
        done=lambda made: (gettext("%(serial)s is in service.") % {"serial": made.serial}, _to_unit(made)),
    )  # fmt: skip


@requires(Permission.EDIT_FLEET)
@form_page
def retire_unit(request: HttpRequest, serial: str) -> HttpResponse:
    """Retire a unit, beside what that does."""
    unit = find_unit(request, serial)
    now, today = now_and_today(request)
    form = RetireForm(request.POST or None, initial={"on": today})
    page = _page(unit, gettext("Retire %(serial)s"), gettext("Retire the unit"))
    return do_act(
        request, page, form, lambda data: acts.retire_unit(unit, actor=actor_of(request), **data),
        done=lambda made: (gettext("%(serial)s is retired.") % {"serial": made.serial}, _to_unit(made)),
        effects=lambda data: acts.retire_effects(unit, now),
    )  # fmt: skip


@requires(Permission.EDIT_FLEET)
@require_POST
def take_retirement_back(request: HttpRequest, serial: str) -> HttpResponse:
    """Let a retired unit be used again."""
    unit = find_unit(request, serial)
    try:
        units.take_retirement_back(unit, actor=actor_of(request))
    except DomainError as error:
        messages.error(request, translate(error))
    else:
        messages.success(
            request,
            gettext("%(serial)s is no longer retired; it is out of service until you say otherwise.")
            % {"serial": unit.serial},
        )
    return redirect(_to_unit(unit))


@requires(Permission.EDIT_FLEET)
@form_page
def swap_unit(request: HttpRequest, serial: str) -> HttpResponse:
    """Put another machine in a unit's place, beside what that does."""
    unit = find_unit(request, serial)
    now, today = now_and_today(request)
    form = SwapForm(request.POST or None, initial={"on": today})
    page = _page(unit, gettext("Swap %(serial)s for another unit"), gettext("Swap the unit"))
    return do_act(
        request, page, form, lambda data: acts.swap_unit(unit, actor=actor_of(request), **data),
        done=lambda new: (
            gettext("%(new)s stands where %(old)s stood.") % {"new": new.serial, "old": unit.serial},
            _to_unit(new),
        ),
        effects=lambda data: acts.swap_effects(unit, now),
    )  # fmt: skip


@requires(Permission.EDIT_FLEET)
@form_page
def move_unit(request: HttpRequest, serial: str) -> HttpResponse:
    """Move a unit to another site, after a look at what that does."""
    unit = find_unit(request, serial)
    now, today = now_and_today(request)
    places = sites_of(request).filter(is_closed=False).exclude(pk=unit.site_id)
    form = MoveForm(request.POST or None, sites=places, initial={"on": today, "seen_site": unit.site_id})
    page = _page(unit, gettext("Move %(serial)s to another site"), gettext("Move the unit"), asks_first=True)
    return do_act(
        request, page, form, lambda data: acts.move_unit(unit, actor=actor_of(request), **data),
        done=lambda made: (
            gettext("%(serial)s stands at %(site)s now.") % {"serial": made.serial, "site": made.site.name},
            _to_unit(made),
        ),
        effects=lambda data: acts.move_effects(unit, data["to"], now),
        also={"offered": places.order_by("name")[:500]},
    )  # fmt: skip


@requires(Permission.EDIT_FLEET)
@form_page
def change_part(request: HttpRequest, serial: str, position: str) -> HttpResponse:
    """Put a part in, take it out, or replace it, as it was done on a day."""
    unit = find_unit(request, serial)
    place = get_object_or_404(unit.positions, code=position)
    old = part_in(place)
    zone = ZoneInfo(unit.site.time_zone)
    title = gettext("Part in position %(position)s of %(serial)s") % {
        "position": place.code,
        "serial": unit.serial,
    }
    lead = ""
    if old:
        told = {"kind": old.kind, "day": timezone.localtime(old.installed_at, zone).date()}
        lead = gettext(
            "%(kind)s is in place since %(day)s. It comes out; without a new one the place is empty."
        )
        lead %= told
    page = ActPage(title, gettext("Record it"), _to_unit(unit), unit.serial, lead)
    with timezone.override(zone):
        form = PartForm(
            request.POST or None,
            has_part=old is not None,
            initial={"kind": old.kind if old else None, "at": timezone.localtime()},
        )

        def act(data: dict) -> object:
            actor = actor_of(request)
            given = {name: data[name] for name in ("serial", "lot", "made_on")}
            if old is None:
                return units.put_part_in(place, kind=data["kind"], at=data["at"], actor=actor, **given)
            if data["kind"] is None:
                return units.take_part_out(old, at=data["at"], reason=data["reason"], actor=actor)
            return units.replace_part(
                old, kind=data["kind"], at=data["at"], reason=data["reason"], actor=actor, **given
            )

        return do_act(
            request, page, form, act,
            done=lambda made: (
                gettext("Recorded at position %(position)s.") % {"position": place.code}, _to_unit(unit)
            ),
        )  # fmt: skip


@requires(Permission.EDIT_FLEET)
@form_page
def model_from_unit(request: HttpRequest, serial: str) -> HttpResponse:
    """Keep a unit's positions and parts as a model for new ones."""
    unit = find_unit(request, serial)
    page = _page(
        unit, gettext("Make a model of %(serial)s"), gettext("Add the model"),
        lead=gettext("New units of this model begin with its positions, parts and design figures."),
    )  # fmt: skip
    return do_act(
        request, page, ModelNameForm(request.POST or None),
        lambda data: catalogue.model_from_unit(unit, actor=actor_of(request), **data),
        done=lambda made: (gettext("%(name)s is added.") % {"name": made.name}, reverse("catalogue")),
    )  # fmt: skip
