"""Pages of the catalogue: part kinds and models of treatment units."""

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect
from django.urls import reverse
from django.utils.translation import gettext, ngettext
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from fleet.models import PartKind, UnitModel
from fleet.register import catalogue
from scheduling.register import tables
from scheduling.register.act_page import ActPage, actor_of, do_act
from scheduling.register.forms import (
    NewPartKindForm,
    NewUnitModelForm,
    PartKindForm,
    PositionForms,
    UnitModelForm,
    positions_of,
)
from shared.access import requires
from shared.roles import Permission
from shared.tables import render_or_export

form_page = require_http_methods(["GET", "POST"])


@requires(Permission.SEE_FLEET)
@require_GET
def catalogue_page(request: HttpRequest) -> HttpResponseBase:
    """List part kinds and models."""
    models = UnitModel.objects.prefetch_related("positions__usual_kind")
    return render_or_export(
        request,
        "register/catalogue.html",
        {},
        kinds=tables.PART_KINDS.of(PartKind.objects.all()),
        models=tables.UNIT_MODELS.of(models),
    )


@requires(Permission.EDIT_FLEET)
@require_POST
def add_examples(request: HttpRequest) -> HttpResponse:
    """Bring in the invented catalogue."""
    count = catalogue.add_examples(actor=actor_of(request))
    messages.success(
        request,
        ngettext("%(count)s invented entry added.", "%(count)s invented entries added.", count)
        % {"count": count},
    )
    return redirect("catalogue")


def _page(title: str, button: str) -> ActPage:
    return ActPage(title, button, reverse("catalogue"), gettext("Catalogue"))


def _done(made: PartKind | UnitModel) -> tuple[str, str]:
    return gettext("%(name)s is in the catalogue.") % {"name": made.name}, reverse("catalogue")


def _form(request: HttpRequest, form: type, **given: object):
    made = form(request.POST or None, system=request.user.measure_system, **given)
    if not request.user.may(Permission.SEE_MARGINS):
        made.fields.pop("cost", None)
    return made


@requires(Permission.EDIT_FLEET)
@form_page
def add_part_kind(request: HttpRequest) -> HttpResponse:
    """Add a line of the catalogue."""
    form = _form(request, NewPartKindForm)

    def act(data: dict) -> PartKind:
        return catalogue.add_part_kind(code=data["code"], actor=actor_of(request), **form.details)

    return do_act(request, _page(gettext("Add a part kind"), gettext("Add it")), form, act, done=_done)


@requires(Permission.EDIT_FLEET)
@form_page
def change_part_kind(request: HttpRequest, code: str) -> HttpResponse:
    """Change a line of the catalogue."""
    kind = get_object_or_404(PartKind, code=code)
    form = _form(request, PartKindForm, instance=kind)

    def act(data: dict) -> PartKind:
        return catalogue.change_part_kind(kind, actor=actor_of(request), seen=form.seen, **form.details)

    page = _page(gettext("Change %(name)s") % {"name": kind.name}, gettext("Save"))
    return do_act(request, page, form, act, done=_done)


@requires(Permission.EDIT_FLEET)
@form_page
def add_unit_model(request: HttpRequest) -> HttpResponse:
    """Add a model with its positions."""
    form = _form(request, NewUnitModelForm)
    places = PositionForms(request.POST or None, prefix="positions")

    def act(data: dict) -> UnitModel:
        given = {**form.details, "code": data["code"], "positions": positions_of(places)}
        return catalogue.add_unit_model(actor=actor_of(request), **given)

    page = _page(gettext("Add a unit model"), gettext("Add it"))
    return do_act(request, page, form, act, done=_done, formset=places)


@requires(Permission.EDIT_FLEET)
@form_page
def change_unit_model(request: HttpRequest, code: str) -> HttpResponse:
    """Change a model; units made from it stay as they are."""
    model = get_object_or_404(UnitModel, code=code)
    form = _form(request, UnitModelForm, instance=model)
    known = [
        {"code": one.code, "water": one.water, "usual_kind": one.usual_kind_id}
        for one in model.positions.all()
    ]
    places = PositionForms(request.POST or None, prefix="positions", initial=known)

    def act(data: dict) -> UnitModel:
        given = {**form.details, "positions": positions_of(places) if places.has_changed() else None}
        return catalogue.change_unit_model(model, actor=actor_of(request), seen=form.seen, **given)

    page = _page(gettext("Change %(name)s") % {"name": model.name}, gettext("Save"))
    return do_act(request, page, form, act, done=_done, formset=places)
