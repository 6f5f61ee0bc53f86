"""Pages of this room: a person's own tokens, and the description of the API."""

from typing import Final

from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.db import transaction
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.translation import gettext
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from api.forms import TokenForm
from api.models import ApiToken
from api.throttling import CallRate
from api.tokens import make_token, revoke_token
from api.with_python import OVERRIDES, STEPS
from fleet.models import AuditArea
from scheduling.pages.downloads import Column, ListFile, page_or_file
from scheduling.pages.request_context import note_change
from shared.access import requires
from shared.errors import CannotDo
from shared.messages import message
from shared.roles import Permission
from shared.translation import translate

TOKEN_COLUMNS: Final = [
    Column("Token", lambda row: row["token"].name),
    Column("Begins", lambda row: row["token"].secret_start),
    Column("May", lambda row: "; ".join(row["may"])),
    Column("Made", lambda row: row["token"].made_at),
    Column("Last used", lambda row: row["token"].last_used_at),
    Column("Works until", lambda row: row["token"].expires_at),
    Column("Revoked", lambda row: row["token"].revoked_at),
]


@requires(Permission.USE_API)
@require_http_methods(["GET", "POST"])
@never_cache
@transaction.atomic
def own_tokens(request: HttpRequest) -> HttpResponse:
    """List the own tokens and make new ones. The secret is on the answer to the making, and nowhere after."""
    now = timezone.now()
    form = TokenForm(request.POST or None, person=request.user)
    secret = ""
    if request.method == "POST" and form.is_valid():
        try:
            _, secret = make_token(request.user, now=now, **form.cleaned_data)
        except CannotDo as error:
            form.add_error(error.field or None, translate(error))
        else:
            note_change(request, message("token made"), AuditArea.OUTSIDE, form.cleaned_data["name"])
            form = TokenForm(person=request.user)
    tokens = [
        {"token": token, "may": [Permission[name.upper()].value for name in token.permissions],
         "is_over": token.expires_at <= now}
        for token in ApiToken.objects.filter(person=request.user)[:200]
    ]  # fmt: skip
    context = {"form": form, "tokens": tokens, "secret": secret, "now": now}
    return page_or_file(
        request,
        "api/own_tokens.html",
        context,
        status=422 if form.errors else 200,
        tokens=ListFile("tokens", TOKEN_COLUMNS, lambda: tokens),
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
