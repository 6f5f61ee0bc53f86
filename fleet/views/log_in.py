"""The log-in: Django's own, with guessing slowed down and the session's limits begun."""

from typing import Any

from django.contrib.auth.forms import AuthenticationForm
from django.contrib.auth.views import LoginView
from django.core.exceptions import ValidationError
from django.http import HttpResponse
from django.shortcuts import redirect
from django.utils import timezone

from fleet.services import log_ins, second_factors
from fleet.views.entering import begin_half, begin_log_in, caller_of, log
from shared.errors import CannotDo
from shared.told import told


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
