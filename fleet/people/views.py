"""Pages of the log-in in its two steps, of the own log-in and of the own settings."""

from collections.abc import Callable
from functools import wraps
from typing import Final

import segno
from django import forms
from django.conf import settings
from django.contrib import messages
from django.contrib.auth import login, update_session_auth_hash
from django.contrib.auth.decorators import login_required
from django.contrib.auth.forms import SetPasswordForm
from django.contrib.auth.views import LoginView, PasswordResetConfirmView
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse_lazy
from django.utils import timezone, translation
from django.utils.translation import gettext, ngettext
from django.views.decorators.cache import never_cache
from django.views.decorators.debug import sensitive_post_parameters
from django.views.decorators.http import require_GET, require_http_methods, require_POST

from fleet.people import login_limits, services
from fleet.people.forms import (
    LogInForm,
    OwnPasswordChangeForm,
    OwnPasswordForm,
    OwnSettingsForm,
    SecondStepForm,
    SetUpForm,
    is_too_many,
)
from fleet.people.models import Person, SecondFactor
from shared.access import opened_by_secret

PENDING: Final = "pending_log_in"
"""In the session: whose password was right, while the second factor is still asked for."""
PENDING_MINUTES: Final = 10


class LogIn(LoginView):
    """Django's own: name and password; then the session, or the second step."""

    template_name = "log_in.html"
    redirect_authenticated_user = True
    authentication_form = LogInForm
    wrong_status = 200

    def form_valid(self, form: LogInForm) -> HttpResponse:
        """Begin the session, or remember that the password was right and ask for the second factor."""
        person, then = form.get_user(), self.get_success_url()
        if services.active_factor(person) is None:
            return _start_session(self.request, person, then, by_second_factor=False)
        self.request.session.cycle_key()
        self.request.session[PENDING] = {
            "person": person.pk,
            "hash": person.get_session_auth_hash(),
            "at": int(timezone.now().timestamp()),
            "then": then,
        }
        return redirect("second_factor")

    def form_invalid(self, form: forms.Form) -> HttpResponse:
        """Say what is wrong; 429 when it is the number of tries."""
        status = 429 if is_too_many(form) else self.wrong_status
        return self.render_to_response(self.get_context_data(form=form, status=status), status=status)


class SetPassword(PasswordResetConfirmView):
    """Django's own: a new password by a link that works once. A log-in that is shut has none."""

    template_name = "people/set_password.html"
    success_url = reverse_lazy("log_in")

    def get_user(self, uidb64: str) -> Person | None:
        """Return whose link it is, None for a log-in that is shut."""
        person = super().get_user(uidb64)
        return person if person is not None and person.is_active else None

    def form_valid(self, form: SetPasswordForm) -> HttpResponse:
        """Set the password, end all sessions, and lead to the log-in, where a second factor is asked for."""
        password = form.cleaned_data["new_password1"]
        services.change_password(self.user, password, keep_key=None, by=self.user, now=timezone.now())
        messages.success(self.request, gettext("Your password is set. Log in with it."))
        return redirect(self.get_success_url())


set_password = opened_by_secret(SetPassword.as_view())


class SecondStep(LogIn):
    """The second step, for people who have a second factor: its code."""

    template_name = "people/second_factor.html"
    redirect_authenticated_user = False
    authentication_form = SecondStepForm
    wrong_status = 422

    def dispatch(self, request: HttpRequest, *args, **kwargs) -> HttpResponse:
        """Let in only whose password was right a short while ago and has not changed since."""
        pending = request.session.get(PENDING)
        if not pending or timezone.now().timestamp() - pending["at"] > PENDING_MINUTES * 60:
            return redirect("log_in")
        self.person = Person.objects.filter(pk=pending["person"], is_active=True).first()
        if self.person is None or self.person.get_session_auth_hash() != pending["hash"]:
            return redirect("log_in")
        return super().dispatch(request, *args, **kwargs)

    def get_form_kwargs(self) -> dict:
        """Add whose code it is."""
        return super().get_form_kwargs() | {"person": self.person}

    def form_valid(self, form: SecondStepForm) -> HttpResponse:
        """Begin the session."""
        then = self.request.session.pop(PENDING)["then"]
        return _start_session(self.request, self.person, then, by_second_factor=True)


def _start_session(
    request: HttpRequest, person: Person, then: str, *, by_second_factor: bool
) -> HttpResponse:
    login(request, person)
    now_s = int(timezone.now().timestamp())
    request.session.update(
        {
            "began_at": now_s,
            "used_at": now_s,
            "browser": request.headers.get("User-Agent", "")[:200],
            "second_factor": by_second_factor,
        }
    )
    return _mark_browser(redirect(then), person)


def _mark_browser(answer: HttpResponse, person: Person) -> HttpResponse:
    """Have the browser keep a mark that lets nobody in and tells that this person used it."""
    answer.set_cookie(
        settings.KNOWN_BROWSER_COOKIE,
        login_limits.browser_mark(person),
        max_age=login_limits.BROWSER_KNOWN_FOR,
        secure=settings.SESSION_COOKIE_SECURE,
        httponly=True,
        samesite="Lax",
    )
    return answer


def _status(form: forms.BaseForm) -> int:
    if is_too_many(form):
        return 429
    return 422 if form.errors else 200


def own_post(view: Callable) -> Callable:
    """Let a post in that carries a password, from whoever is logged in."""
    return sensitive_post_parameters()(login_required(never_cache(require_POST(view))))


def after_password(card: str) -> Callable:
    """Do a thing once the own password was given; else refuse in the card the form is in."""

    def wrap(view: Callable) -> Callable:
        @own_post
        @wraps(view)
        def guarded(request: HttpRequest) -> HttpResponse:
            form = OwnPasswordForm(request, request.POST, auto_id=f"{card}_%s")
            return view(request) if form.is_valid() else _own_page(request, **{f"{card}_form": form})

        return guarded

    return wrap


@login_required
@require_GET
@never_cache
def my_log_in(request: HttpRequest) -> HttpResponse:
    """Show the own log-in: the password, the browsers that are logged in, the second factor."""
    return _own_page(request)


def _own_page(request: HttpRequest, **refused: forms.BaseForm) -> HttpResponse:
    factor = services.active_factor(request.user)
    context = {
        "password_form": OwnPasswordChangeForm(request),
        "factor_form": OwnPasswordForm(request, auto_id="factor_%s"),
        "sessions_form": OwnPasswordForm(request, auto_id="sessions_%s"),
        "factor": factor,
        "codes_left": factor.recovery_codes.filter(used_at=None).count() if factor else 0,
        "is_required": request.user.role in settings.SECOND_FACTOR_ROLES,
        "sessions": services.sessions_of(
            request.user, this_key=request.session.session_key, now=timezone.now()
        ),
    }
    status = max((_status(form) for form in refused.values()), default=200)
    return render(request, "people/own_log_in.html", context | refused, status=status)


@own_post
def change_own_password(request: HttpRequest) -> HttpResponse:
    """Set a new password and end the other sessions."""
    form = OwnPasswordChangeForm(request, request.POST)
    if not form.is_valid():
        return _own_page(request, password_form=form)
    person, key, now = request.user, request.session.session_key, timezone.now()
    services.change_password(person, form.cleaned_data["new_password1"], keep_key=key, by=person, now=now)
    update_session_auth_hash(request, person)
    messages.success(request, gettext("Your new password counts. Other browsers were logged out."))
    return _mark_browser(redirect("own_log_in"), person)


@after_password("sessions")
def end_own_sessions(request: HttpRequest) -> HttpResponse:
    """End another session, or all others."""
    count = services.end_sessions(
        request.user,
        keep_key=request.session.session_key,
        by=request.user,
        now=timezone.now(),
        mark=request.POST.get("mark", ""),
    )
    ended = ngettext("%(count)s session ended.", "%(count)s sessions ended.", count) % {"count": count}
    messages.success(request, ended)
    return redirect("own_log_in")


@sensitive_post_parameters()
@login_required
@never_cache
@require_http_methods(["GET", "POST"])
def set_up_second_factor(request: HttpRequest) -> HttpResponse:
    """Show the picture an app reads, and take its first code."""
    factor = services.pending_factor(request.user, now=timezone.now())
    if factor is None:
        return redirect("own_log_in")
    form = SetUpForm(request, request.POST or None, factor=factor)
    if form.is_valid():
        request.session["second_factor"] = True
        return render(request, "people/recovery_codes.html", {"codes": form.recovery_codes})
    uri = factor.totp.provisioning_uri(name=request.user.username, issuer_name=settings.COMPANY_NAME)
    context = {
        "form": form,
        "secret": factor.secret,
        "picture": segno.make(uri).svg_data_uri(scale=5, light="#fff"),
        "is_required": request.user.role in settings.SECOND_FACTOR_ROLES,
    }
    return render(request, "people/set_up_second_factor.html", context, status=_status(form))


@after_password("factor")
def remove_second_factor(request: HttpRequest) -> HttpResponse:
    """Take the second factor away."""
    if services.remove_factor(request.user, by=request.user, now=timezone.now()):
        request.session["second_factor"] = False
        messages.success(request, gettext("The second factor is taken away; the password alone logs you in."))
    return redirect("own_log_in")


@after_password("factor")
def renew_recovery_codes(request: HttpRequest) -> HttpResponse:
    """Make new recovery codes, and show them this once."""
    factor = get_object_or_404(SecondFactor, person=request.user, confirmed_at__isnull=False)
    codes = services.renew_recovery_codes(factor, now=timezone.now())
    return render(request, "people/recovery_codes.html", {"codes": codes})


@login_required
@require_http_methods(["GET", "POST"])
@never_cache
def my_settings(request: HttpRequest) -> HttpResponse:
    """Show the asker's own settings, and keep them."""
    form = OwnSettingsForm(request.POST or None, instance=request.user)
    if not form.is_valid():
        return render(request, "people/own_settings.html", {"form": form}, status=_status(form))
    services.save_own_settings(form.instance, form.changed_data, form.initial, now=timezone.now())
    with translation.override(form.cleaned_data["language"] or translation.get_language()):
        messages.success(request, gettext("Your settings are kept."))
    return redirect("own_settings")
