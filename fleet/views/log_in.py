"""The log-in: Django's own, with guessing slowed down and the session's limits begun."""

import logging
from typing import Any

from django.conf import settings
from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.views import LoginView
from django.core.exceptions import ValidationError
from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from fleet.services import log_ins
from shared.access import begin_session, client_address
from shared.errors import CannotDo
from shared.told import told

log = logging.getLogger("tapward.log_ins")


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
            raise ValidationError(told(str(error)), code="too_many") from error
        if not (self.cleaned_data.get("username") and self.cleaned_data.get("password")):
            return self.cleaned_data
        try:
            cleaned = super().clean()
        except ValidationError:
            log_ins.note_failure(caller, now=now)
            log.warning("log-in", extra={"told": {"outcome": "wrong"}})
            raise
        log_ins.note_success(caller)
        log.info("log-in", extra={"told": {"outcome": "let in"}})
        return cleaned


class LogIn(LoginView):
    """Name and password."""

    template_name = "log_in.html"
    redirect_authenticated_user = True
    authentication_form = SlowForm

    def form_valid(self, form: SlowForm) -> HttpResponse:
        """Begin the session and mark the browser as one this person uses."""
        answer = super().form_valid(form)
        now = timezone.now()
        begin_session(self.request, now)
        answer.set_cookie(
            settings.KNOWN_BROWSER_COOKIE,
            log_ins.browser_mark(form.get_user(), now=now),
            max_age=log_ins.MARK_DAYS * 86_400,
            secure=settings.SESSION_COOKIE_SECURE,
            httponly=True,
            samesite="Lax",
        )
        return answer

    def form_invalid(self, form: SlowForm) -> HttpResponse:
        """Say what is wrong; 429 when it is the number of tries."""
        too_many = any(error.code == "too_many" for error in form.non_field_errors().as_data())
        context = self.get_context_data(form=form, too_many=form.non_field_errors()[0] if too_many else "")
        return self.render_to_response(context, status=429 if too_many else 200)


def caller_of(request: HttpRequest, name: str) -> log_ins.Caller:
    """Return who tries."""
    mark = request.COOKIES.get(settings.KNOWN_BROWSER_COOKIE, "")
    return log_ins.Caller(name, client_address(request), mark)
