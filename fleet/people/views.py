"""What both steps of the log-in share: who tries, the password that was right, the session that begins.

The log-in: Django's own, with guessing slowed down and the session's limits begun.
The second step of the log-in: a code, for people who have a second factor.
A person's own settings: language, clock, measures.
"""

import logging
from datetime import datetime
from typing import Any, Final
from zoneinfo import available_timezones

from django import forms
from django.conf import settings
from django.contrib import messages
from django.contrib.auth import login
from django.contrib.auth.decorators import login_required
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.views import LoginView
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone, translation
from django.utils.http import url_has_allowed_host_and_scheme
from django.utils.translation import gettext, gettext_lazy
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_http_methods

from fleet.models import Language, MeasureSystem, Person
from fleet.people import log_ins, second_factors
from fleet.people.settings import set_own_settings
from shared.access import begin_session, client_address
from shared.errors import CannotDo
from shared.translation import translate

log = logging.getLogger("tapward.log_ins")
HALF_IN: Final = "half_in"
"""In the session: whose password was right, while the second factor is still asked for."""


def caller_of(request: HttpRequest, name: str) -> log_ins.Caller:
    """Return who tries."""
    mark = request.COOKIES.get(settings.KNOWN_BROWSER_COOKIE, "")
    return log_ins.Caller(name, client_address(request), mark)


def begin_half(request: HttpRequest, person: Person, now: datetime, then: str) -> None:
    """Remember that the password was right; nothing is open yet."""
    request.session.cycle_key()
    request.session[HALF_IN] = {
        "person": person.pk, "hash": person.get_session_auth_hash(), "at": int(now.timestamp()), "then": then
    }  # fmt: skip


def begin_log_in(
    request: HttpRequest, person: Person, answer: HttpResponse, now: datetime, *, by_second_factor: bool
) -> HttpResponse:
    """Begin the session's limits, and mark the browser as one this person uses."""
    begin_session(request, now)
    request.session["browser"] = request.headers.get("User-Agent", "")[:200]
    request.session["second_factor"] = by_second_factor
    return mark_browser(answer, person, now)


def mark_browser(answer: HttpResponse, person: Person, now: datetime) -> HttpResponse:
    """Have the browser keep a mark that lets nobody in and tells that this person used it."""
    answer.set_cookie(
        settings.KNOWN_BROWSER_COOKIE,
        log_ins.browser_mark(person, now=now),
        max_age=log_ins.MARK_DAYS * 86_400,
        secure=settings.SESSION_COOKIE_SECURE,
        httponly=True,
        samesite="Lax",
    )
    return answer


class SlowForm(AuthenticationForm):
    """Asks whether one more try is due before any password is looked at."""

    def clean(self) -> dict[str, Any]:
        """Check name and password, unless too many failed."""
        now = timezone.now()
        caller = caller_of(self.request, self.cleaned_data.get("username", ""))
        try:
            log_ins.check_may_try(caller, now=now)
        except CannotDo as error:
            log.warning("log-in", extra={"told": {"outcome": "too many"}})
            raise ValidationError(translate(error), code="too_many") from error
        if not (self.cleaned_data.get("username") and self.cleaned_data.get("password")):
            return self.cleaned_data
        try:
            cleaned = super().clean()
        except ValidationError:
            log_ins.note_failure(caller, now=now)
            log.warning("log-in", extra={"told": {"outcome": "wrong"}})
            raise
        log_ins.note_success(caller)
        log.info("log-in", extra={"told": {"outcome": "password right"}})
        return cleaned


class LogIn(LoginView):
    """Name and password."""

    template_name = "log_in.html"
    redirect_authenticated_user = True
    authentication_form = SlowForm

    def form_valid(self, form: SlowForm) -> HttpResponse:
        """Begin the session, or ask for the second factor first."""
        now = timezone.now()
        person = form.get_user()
        if second_factors.standing_factor(person) is not None:
            begin_half(self.request, person, now, self.get_redirect_url())
            return redirect("second_factor")
        answer = super().form_valid(form)
        return begin_log_in(self.request, person, answer, now, by_second_factor=False)

    def form_invalid(self, form: SlowForm) -> HttpResponse:
        """Say what is wrong; 429 when it is the number of tries."""
        too_many = any(error.code == "too_many" for error in form.non_field_errors().as_data())
        context = self.get_context_data(form=form, too_many=form.non_field_errors()[0] if too_many else "")
        return self.render_to_response(context, status=429 if too_many else 200)


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
            form.add_error(None, translate(error))
            status = 429
    return render(request, "people/second_factor.html", {"form": form}, status=status)


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


BY_THE_BROWSER = ("", gettext_lazy("As the browser asks"))
BY_THE_COMPANY = ("", gettext_lazy("The company's clock"))
NOT_PLACES = ("Etc/", "SystemV/", "posix/", "right/")


def _zones() -> list[tuple[str, str]]:
    """Return the zones of the IANA list that are named after places, and UTC."""
    names = sorted(name for name in available_timezones() if "/" in name and not name.startswith(NOT_PLACES))
    return [(name, name.replace("_", " ")) for name in ["UTC", *names]]


class OwnSettingsForm(forms.Form):
    """How one person reads the pages."""

    language = forms.ChoiceField(
        label=gettext_lazy("Language"), required=False, choices=[BY_THE_BROWSER, *Language.choices]
    )
    measure_system = forms.ChoiceField(
        label=gettext_lazy("Measures"),
        choices=MeasureSystem.choices,
        help_text=gettext_lazy(
            "US measures: gal, gpm, psi, °F. Metric: L, L/min, bar, °C. For pages and for what you type."
        ),
    )
    time_zone = forms.ChoiceField(
        label=gettext_lazy("Time zone"),
        required=False,
        choices=lambda: [BY_THE_COMPANY, *_zones()],
        help_text=gettext_lazy("Visits and readings keep the clock of their site."),
    )


@login_required
@require_http_methods(["GET", "POST"])
@never_cache
def own_settings(request: HttpRequest) -> HttpResponse:
    """Show the asker's own settings, and keep them."""
    person = request.user
    form = OwnSettingsForm(
        request.POST or None,
        initial={
            "language": person.language,
            "measure_system": person.measure_system,
            "time_zone": person.time_zone,
        },
    )
    if request.method == "POST" and form.is_valid():
        set_own_settings(person, **form.cleaned_data, now=timezone.now())
        with translation.override(form.cleaned_data["language"] or translation.get_language()):
            messages.success(request, gettext("Your settings are kept."))
        return redirect("own_settings")
    return render(request, "people/own_settings.html", {"form": form}, status=422 if form.errors else 200)
