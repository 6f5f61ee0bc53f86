"""Pages of log-ins for who answers for people: make, change, invite, shut, open again."""

from typing import Any, Final

from django import forms
from django.contrib import messages
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext
from django.utils.translation import gettext_lazy as _
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from api.keys import shut_out
from fleet.models import Branch, Person, PersonRole
from fleet.people import accounts
from fleet.table_columns import Moment, mark
from scheduling.contracts.views import did
from shared.access import requires
from shared.errors import DomainError
from shared.messages import joined
from shared.roles import Permission
from shared.tables import Column, Table, render_or_export
from shared.translation import translate


def _state(row: Person, page: dict) -> str:
    if not row.is_active:
        return mark("off", gettext("Shut"))
    if not row.has_usable_password():
        return mark("watch", gettext("Invited; no password yet"))
    return mark("good", gettext("Open"))


PEOPLE: Final = Table(
    _("Log-ins"),
    Column(_("Log-in"), "username", head=True, link=("person", "username"), under="get_full_name"),
    Column(_("Role"), "get_role_display"),
    Column(_("Branch"), "branch__name", empty=_("every branch")),
    Column(_("State"), "is_active", in_file=_("Active"), show=_state),
    Moment(_("Last log-in"), "last_login"),
    file="log-ins",
)


class PersonForm(forms.Form):
    """What an owner says of a person."""

    first_name = forms.CharField(label=_("First name"), max_length=150, required=False)
    last_name = forms.CharField(label=_("Last name"), max_length=150, required=False)
    role = forms.ChoiceField(label=_("Role"), choices=PersonRole.choices)
    branch = forms.ModelChoiceField(
        Branch.objects.none(), label=_("Branch"), required=False, empty_label=_("Every branch")
    )
    phone = forms.CharField(label=_("Telephone"), max_length=40, required=False)

    def __init__(self, *args, by: Person, **kwargs):
        super().__init__(*args, **kwargs)
        rows = Branch.objects.order_by("name")
        branch = self.fields["branch"]
        branch.queryset = rows.filter(pk=by.branch_id) if by.branch_id else rows
        if by.branch_id:
            branch.required, branch.empty_label, branch.initial = True, None, by.branch_id


class NewPersonForm(PersonForm):
    """A log-in that is made."""

    username = forms.SlugField(
        label=_("Name to log in with"), max_length=150, help_text=_("Letters, digits, - and _.")
    )
    field_order = ("username",)


def _people(request: HttpRequest) -> QuerySet[Person]:
    rows = Person.objects.select_related("branch").order_by("-is_active", "username")
    return rows.filter(branch_id=request.user.branch_id) if request.user.branch_id else rows


@requires(Permission.MANAGE_PEOPLE)
@require_GET
def people(request: HttpRequest) -> HttpResponseBase:
    """List the log-ins."""
    return render_or_export(request, "people/people.html", {}, people=PEOPLE.of(list(_people(request))))


@requires(Permission.MANAGE_PEOPLE)
@never_cache
@require_http_methods(["GET", "POST"])
def new_person(request: HttpRequest) -> HttpResponse:
    """Make a log-in and show its invitation."""
    form = NewPersonForm(request.POST or None, by=request.user)
    made: list[Person] = []
    given = {"by": request.user, "now": timezone.now()}

    def add(data: dict[str, Any]) -> None:
        made.append(accounts.add_person(**data, **given))

    if request.method == "POST" and form.is_valid() and did(form, add):
        return _invitation(request, made[0])
    return render(request, "people/new_person.html", {"form": form}, status=422 if form.errors else 200)


@requires(Permission.MANAGE_PEOPLE)
@require_http_methods(["GET", "POST"])
def person(request: HttpRequest, username: str) -> HttpResponse:
    """Show a log-in; change it."""
    one = get_object_or_404(_people(request), username=username)
    names = ("first_name", "last_name", "role", "branch", "phone")
    initial = {name: getattr(one, name) for name in names}
    form = PersonForm(request.POST or None, by=request.user, initial=initial)
    given = {"by": request.user, "now": timezone.now()}

    def change(data: dict[str, Any]) -> None:
        accounts.change_person(one, data, **given)

    if request.method == "POST" and form.is_valid() and did(form, change):
        messages.success(request, gettext("Saved."))
        return redirect("person", username=username)
    context = {"one": one, "form": form}
    return render(request, "people/person.html", context, status=422 if form.errors else 200)


@requires(Permission.MANAGE_PEOPLE)
@never_cache
@require_POST
def invite_person(request: HttpRequest, username: str) -> HttpResponse:
    """Show the link by which a person sets a password, once."""
    one = get_object_or_404(_people(request), username=username)
    return _invitation(request, one)


def _invitation(request: HttpRequest, one: Person) -> HttpResponse:
    try:
        path = accounts.invite(one, by=request.user, now=timezone.now())
    except DomainError as error:
        messages.error(request, translate(error))
        return redirect("person", username=one.username)
    address = request.build_absolute_uri(path)
    return render(request, "people/invitation.html", {"one": one, "address": address})


@requires(Permission.MANAGE_PEOPLE)
@require_POST
def shut_person(request: HttpRequest, username: str) -> HttpResponse:
    """Let a person in no more."""
    one = get_object_or_404(_people(request), username=username)
    try:
        ended = shut_out(one, by=request.user, now=timezone.now())
    except DomainError as error:
        messages.error(request, translate(error))
    else:
        told = {"name": one.username, "ended": translate(joined("; ", ended))}
        messages.success(request, gettext("%(name)s is shut out. Ended: %(ended)s.") % told)
    return redirect("person", username=username)


@requires(Permission.MANAGE_PEOPLE)
@require_POST
def open_person(request: HttpRequest, username: str) -> HttpResponse:
    """Let a person in again."""
    one = get_object_or_404(_people(request), username=username)
    accounts.reopen(one, by=request.user, now=timezone.now())
    messages.success(request, gettext("Open again. Make an invitation: the old password opens nothing."))
    return redirect("person", username=username)
