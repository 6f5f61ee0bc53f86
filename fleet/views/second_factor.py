"""The second step of the log-in: a code, for people who have a second factor."""

from datetime import datetime
from typing import Final

from django import forms
from django.conf import settings
from django.contrib.auth import login
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone
from django.utils.http import url_has_allowed_host_and_scheme
from django.utils.translation import gettext, gettext_lazy
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods

from fleet.models import Person
from fleet.services import log_ins, second_factors
from fleet.views.entering import HALF_IN, begin_log_in, caller_of, log
from shared.errors import CannotDo
from shared.told import told

MINUTES: Final = 10
"""So long the password counts while the code is looked for."""


class CodeForm(forms.Form):
    """The code of the app, or one from paper."""

    code = forms.CharField(
        label=gettext_lazy("Code"),
        max_length=20,
        help_text=gettext_lazy("The six digits your app shows now, or one of your recovery codes."),
        widget=forms.TextInput(attrs={"autocomplete": "one-time-code", "autofocus": True}),
    )


@sensitive_post_parameters()
@never_cache
@require_http_methods(["GET", "POST"])
def second_factor(request: HttpRequest) -> HttpResponse:
    """Ask for the code and log in."""
    now = timezone.now()
    person = _half_in(request, now)
    if person is None:
        return redirect("log_in")
    form = CodeForm(request.POST or None)
    status = 200
    if request.method == "POST" and form.is_valid():
        status = 422
        try:
            if _opens(request, person, form.cleaned_data["code"], now):
                return _let_in(request, person, now)
            form.add_error(
                "code", gettext("That code opens nothing. A code counts once and for about a minute.")
            )
        except CannotDo as error:
            form.add_error(None, told(str(error)))
            status = 429
    return render(request, "fleet/second_factor.html", {"form": form}, status=status)


def _opens(request: HttpRequest, person: Person, code: str, now: datetime) -> bool:
    """Say whether the code is right; raise CannotDo when too many were wrong."""
    # Counted apart from passwords: whoever has the password could clear that count.
    caller = caller_of(request, f"{person.username} second factor")
    log_ins.check_may_try(caller, now=now)
    if second_factors.take(person, code, now=now):
        log_ins.note_success(caller)
        return True
    log_ins.note_failure(caller, now=now)
    log.warning("log-in", extra={"told": {"outcome": "wrong second factor"}})
    return False


def _let_in(request: HttpRequest, person: Person, now: datetime) -> HttpResponse:
    then = request.session.pop(HALF_IN)["then"]
    login(request, person, backend=settings.AUTHENTICATION_BACKENDS[0])
    log.info("log-in", extra={"told": {"outcome": "second factor right"}})
    is_ours = url_has_allowed_host_and_scheme(
        then, allowed_hosts={request.get_host()}, require_https=request.is_secure()
    )
    answer = redirect(then if then and is_ours else settings.LOGIN_REDIRECT_URL)
    return begin_log_in(request, person, answer, now, by_second_factor=True)


def _half_in(request: HttpRequest, now: datetime) -> Person | None:
    """Return whose password was right a short while ago and has not changed since."""
    told = request.session.get(HALF_IN)
    if not told or now.timestamp() - told["at"] > MINUTES * 60:
        return None
    person = Person.objects.filter(pk=told["person"], is_active=True).first()
    return person if person and person.get_session_auth_hash() == told["hash"] else None
