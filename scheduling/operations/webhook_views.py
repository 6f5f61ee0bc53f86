"""Webhooks' pages: who is told what, what became of it, new secrets, sending again."""

from typing import Final

from django.conf import settings
from django.contrib import messages
from django.core.paginator import Paginator
from django.db import transaction
from django.db.models import QuerySet
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import get_object_or_404, redirect, render
from django.utils.translation import gettext
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from fleet.models import AuditArea, DeliveryState, Webhook, WebhookDelivery, WebhookKind
from fleet.webhooks import hooks, outbox
from fleet.webhooks.calling import networks
from scheduling.operations import tables as tables
from scheduling.operations.forms import DeliveryFilter, HookForm
from scheduling.pages.request_context import (
    note_change,
    now_and_today,
    of_own_branch,
    page_number,
    paging,
)
from shared.access import requires
from shared.errors import DomainError
from shared.messages import message
from shared.roles import Permission
from shared.tables import asked_file, render_or_export
from shared.translation import translate

PAGE_SIZE: Final = 50


@requires(Permission.CONNECT)
@require_http_methods(["GET", "POST"])
@never_cache
def webhooks(request: HttpRequest) -> HttpResponseBase:
    """List webhooks and take a new one. Its secret is on this answer and nowhere after."""
    now, _ = now_and_today(request)
    rows = _hooks(request)
    lists = {"webhooks": tables.WEBHOOKS.of(rows)}
    if file := asked_file(request, **lists):
        return file
    form, secret = HookForm(request.POST or None), ""
    if request.method == "POST" and form.is_valid():
        try:
            _, secret = hooks.add(
                **form.cleaned_data, by=request.user, now=now, allowed=networks(settings.WEBHOOK_NETWORKS)
            )
        except DomainError as error:
            form.add_error(error.field if error.field in form.fields else None, translate(error))
        else:
            form = HookForm()
    context = {"form": form, "rows": rows, "lists": lists, "secret": secret}
    return render(request, "operations/webhooks.html", context, status=422 if form.errors else 200)


@requires(Permission.CONNECT)
@require_GET
def webhook(request: HttpRequest, pk: int) -> HttpResponseBase:
    """Show one webhook with what became of each event."""
    return _hook_page(request, get_object_or_404(_hooks(request), pk=pk))


@requires(Permission.CONNECT)
@require_POST
@never_cache
@transaction.atomic
def rotate_webhook(request: HttpRequest, pk: int) -> HttpResponseBase:
    """Give a webhook a new secret. It is on this answer and nowhere after."""
    hook = get_object_or_404(_hooks(request), pk=pk)
    now, _ = now_and_today(request)
    try:
        secret = hooks.rotate(hook, now=now)
    except DomainError as error:
        messages.error(request, translate(error))
        return redirect("webhook", pk=pk)
    note_change(request, message("webhook, new secret"), AuditArea.OUTSIDE, hook.name)
    return _hook_page(request, get_object_or_404(_hooks(request), pk=pk), secret=secret)


@requires(Permission.CONNECT)
@require_POST
@transaction.atomic
def switch_webhook(request: HttpRequest, pk: int) -> HttpResponse:
    """Switch a webhook on or off."""
    hook = get_object_or_404(_hooks(request), pk=pk)
    now, _ = now_and_today(request)
    is_on = request.POST.get("do") == "on"
    hooks.switch(hook, is_on, by=request.user, now=now)
    note_change(
        request,
        message("webhook switched {is_on}", is_on="on" if is_on else message("off")),
        AuditArea.OUTSIDE,
        hook.name,
    )
    messages.success(
        request, gettext("It is on; what waited goes out.") if is_on else gettext("It is off; events wait.")
    )
    return redirect("webhook", pk=pk)


@requires(Permission.CONNECT)
@require_http_methods(["GET", "POST"])
def webhook_delivery(request: HttpRequest, pk: int) -> HttpResponse:
    """Show one event as it is sent, with each attempt; send it again."""
    rows = WebhookDelivery.objects.select_related("event", "webhook").filter(webhook__in=_hooks(request))
    found = get_object_or_404(rows, pk=pk)
    if request.method == "POST":
        now, _ = now_and_today(request)
        try:
            outbox.send_again(found, now=now)
        except DomainError as error:
            messages.error(request, translate(error))
        else:
            messages.success(request, gettext("It goes out again with the next round, under the same id."))
        return redirect("webhook_delivery", pk=pk)
    attempts = found.attempts.all()
    context = {
        "delivery": found,
        "attempts": attempts,
        "tone": tables.DELIVERY_TONES[DeliveryState(found.state)],
    }
    return render_or_export(
        request, "operations/webhook_delivery.html", context, tries=tables.TRIES.of(attempts)
    )


@requires(Permission.CONNECT)
@require_GET
def webhook_help(request: HttpRequest) -> HttpResponse:
    """Tell how a receiver checks what comes."""
    context = {"kinds": WebhookKind.choices, "tries": outbox.MOST_TRIES, "days": outbox.KEEP_DAYS}
    return render(request, "operations/webhook_help.html", context)


def _hook_page(request: HttpRequest, hook: Webhook, *, secret: str = "") -> HttpResponseBase:
    now, _ = now_and_today(request)
    form = DeliveryFilter(request.GET)
    asked = form.cleaned_data if form.is_valid() else {}
    found = hook.deliveries.select_related("event")
    if asked.get("state"):
        found = found.filter(state=asked["state"])
    if asked.get("kind"):
        found = found.filter(event__kind=asked["kind"])
    if file := asked_file(request, deliveries=tables.DELIVERIES.of((), every=found.iterator)):
        return file
    pages = Paginator(found, PAGE_SIZE)
    page = pages.get_page(page_number(request))
    labels = dict(WebhookKind.choices)
    context = {
        "hook": hook,
        "kinds": [labels.get(kind, kind) for kind in hook.kinds],
        "secret": secret,
        "overlaps": bool(hook.old_until and now < hook.old_until),
        "form": form,
        "rows": page,
        "lists": {"deliveries": tables.DELIVERIES.of(page)},
        "paging": paging(request, page=page.number, pages=pages.num_pages, total=pages.count, size=PAGE_SIZE,
                         what=gettext("events")),
    }  # fmt: skip
    return render(request, "operations/webhook.html", context)


def _hooks(request: HttpRequest) -> QuerySet[Webhook]:
    """Return the webhooks a person may see: those of the own branch, or all."""
    rows = Webhook.objects.select_related("branch", "made_by")
    return of_own_branch(request, rows)
