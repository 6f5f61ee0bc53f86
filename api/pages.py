"""Pages of this room: a person's own tokens, and the description of the API."""

from typing import Final

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.html import format_html
from django.utils.translation import gettext, gettext_lazy, pgettext_lazy
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from api.authentication import CallRate
from api.models import ApiToken
from api.tokens import make_token, permissions_on_offer, revoke_token
from api.with_python import OVERRIDES, STEPS
from fleet.models import AuditArea, Person
from fleet.table_columns import Moment, button, mark
from scheduling.pages.request_context import note_change
from shared.access import requires
from shared.errors import DomainError
from shared.messages import message
from shared.roles import Permission
from shared.tables import Column, Table, render_or_export
from shared.translation import translate

LASTS: Final = [
    (7, gettext_lazy("7 days")),
    (30, gettext_lazy("30 days")),
    (90, gettext_lazy("90 days")),
    (365, gettext_lazy("a year")),
]


def _may(row: ApiToken) -> str:
    return "; ".join(Permission[name.upper()].value for name in row.permissions)


def _state(row: ApiToken, page: dict) -> str:
    if row.revoked_at:
        return mark("off", gettext("Revoked"))
    if row.expires_at <= page["now"]:
        return mark("off", gettext("Expired"))
    return button(
        page, reverse("revoke_own_token", args=[row.pk]), gettext("Revoke"), css="plain",
        confirm=gettext("Revoke it? The program that uses it is locked out at once."),
        said=gettext("Revoke %(name)s") % {"name": row.name},
    )  # fmt: skip


def _day() -> str:
    return gettext("j M Y")


TOKENS: Final = Table(
    gettext_lazy("Your tokens"),
    Column(gettext_lazy("Token"), "name", head=True,
           under=lambda row, page: format_html("<code>{}…</code>", row.secret_start)),
    Column(gettext_lazy("Begins"), "secret_start", only="file"),
    Column(pgettext_lazy("what a token may do", "May"), _may),
    Moment(gettext_lazy("Made"), "made_at", form=_day),
    Moment(gettext_lazy("Last used"), "last_used_at", empty=gettext_lazy("never")),
    Moment(gettext_lazy("Works until"), "expires_at", form=_day),
    Column(gettext_lazy("Revoked"), "revoked_at", label="", unseen=True, show=_state),
    file="tokens",
)  # fmt: skip


class TokenForm(forms.Form):
    """What a new token is for."""

    name = forms.CharField(
        max_length=80,
        label=gettext_lazy("Which program will use it"),
        help_text=gettext_lazy("So that you know what stops when you revoke it."),
    )
    days = forms.TypedChoiceField(choices=LASTS, coerce=int, initial=90, label=gettext_lazy("It works for"))
    permissions = forms.TypedMultipleChoiceField(
        coerce=lambda name: Permission[name.upper()],
        widget=forms.CheckboxSelectMultiple,
        label=gettext_lazy("It may"),
    )

    def __init__(self, *args, person: Person, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.fields["permissions"].choices = [
            (permission.name.lower(), translate(permission.value))
            for permission in permissions_on_offer(person)
        ]


@requires(Permission.USE_API)
@require_http_methods(["GET", "POST"])
@never_cache
@transaction.atomic
def my_tokens(request: HttpRequest) -> HttpResponse:
    """List the own tokens and make new ones. The secret is on the answer to the making, and nowhere after."""
    now = timezone.now()
    form = TokenForm(request.POST or None, person=request.user)
    secret = ""
    if request.method == "POST" and form.is_valid():
        try:
            _, secret = make_token(request.user, now=now, **form.cleaned_data)
        except DomainError as error:
            form.add_error(error.field or None, translate(error))
        else:
            note_change(request, message("token made"), AuditArea.OUTSIDE, form.cleaned_data["name"])
            form = TokenForm(person=request.user)
    tokens = ApiToken.objects.filter(person=request.user)[:200]
    context = {"form": form, "tokens": tokens, "secret": secret, "now": now}
    return render_or_export(
        request,
        "api/own_tokens.html",
        context,
        status=422 if form.errors else 200,
        tokens=TOKENS.of(tokens),
    )


@requires(Permission.USE_API)
@require_POST
@transaction.atomic
def revoke_own_token(request: HttpRequest, pk: int) -> HttpResponse:
    """Revoke one of the own tokens."""
    token = get_object_or_404(ApiToken, pk=pk, person=request.user)
    if revoke_token(token, now=timezone.now()):
        note_change(request, message("token revoked"), AuditArea.OUTSIDE, token.name)
    messages.success(
        request,
        gettext("%(name)s is revoked. Whatever used it is shut out from now on.") % {"name": token.name},
    )
    return redirect("own_tokens")


@login_required
@require_GET
def api_with_python(request: HttpRequest) -> HttpResponse:
    """Show worked steps with pandas, and how a client is made from the schema."""
    context = {"steps": STEPS, "overrides": OVERRIDES, "address": request.build_absolute_uri("/").rstrip("/")}
    return render(request, "api/with_python.html", context)


@login_required
@require_GET
def api_docs(request: HttpRequest) -> HttpResponse:
    """Show the API's description, drawn in the browser from our own files only."""
    rates = {kind: rate.replace("/", " a ") for kind, rate in CallRate.THROTTLE_RATES.items()}
    return render(request, "api/docs.html", {"rates": rates})
