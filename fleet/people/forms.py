"""Forms of the log-in and of a person's own settings. Every wrong password or code is counted."""

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any
from zoneinfo import available_timezones

from django import forms
from django.conf import settings
from django.contrib.auth.forms import AuthenticationForm, PasswordChangeForm
from django.core.exceptions import ValidationError
from django.http import HttpRequest
from django.utils import timezone
from django.utils.translation import gettext, gettext_lazy

from fleet.people import login_limits, services
from fleet.people.models import Language, MeasureSystem, Person, SecondFactor
from shared.access import client_address
from shared.security_log import tell

BY_THE_BROWSER = ("", gettext_lazy("As the browser asks"))
BY_THE_COMPANY = ("", gettext_lazy("The company's clock"))
NOT_PLACES = ("Etc/", "SystemV/", "posix/", "right/")


@contextmanager
def counted(request: HttpRequest, name: str, step: str = "password") -> Iterator[None]:
    """Refuse when too many tries failed lately; count a ValidationError raised inside as one more."""
    now = timezone.now()
    mark = request.COOKIES.get(settings.KNOWN_BROWSER_COOKIE, "")
    attempt = login_limits.Attempt(name, client_address(request), mark, step)
    outcome = "too many"
    try:
        login_limits.check(attempt, now=now)
        outcome = "wrong"
        yield
        outcome = "right"
        login_limits.note_success(attempt)
    except ValidationError:
        if outcome == "wrong":
            login_limits.note_failure(attempt, now=now)
        raise
    finally:
        level = logging.INFO if outcome == "right" else logging.WARNING
        tell("log-in", level=level, step=step, outcome=outcome)


def is_too_many(form: forms.BaseForm) -> bool:
    """Say whether a form was refused for the number of tries."""
    return any(error.code == "too_many" for errors in form.errors.as_data().values() for error in errors)


class LogInForm(AuthenticationForm):
    """Name and password."""

    def clean(self) -> dict[str, Any]:
        """Ask whether one more try is due before any password is looked at."""
        if not (self.cleaned_data.get("username") and self.cleaned_data.get("password")):
            return self.cleaned_data
        with counted(self.request, self.cleaned_data["username"]):
            return super().clean()


class CodeForm(forms.Form):
    """The code of the app, or one from paper."""

    code = forms.CharField(
        label=gettext_lazy("Code"),
        max_length=20,
        help_text=gettext_lazy("The six digits your app shows now, or one of your recovery codes."),
        widget=forms.TextInput(attrs={"autocomplete": "one-time-code", "autofocus": True}),
    )


class SecondStepForm(CodeForm):
    """The code of somebody whose password was right."""

    def __init__(self, request: HttpRequest, *args, person: Person, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.request, self.person = request, person

    def clean_code(self) -> str:
        """Use the code up."""
        code = self.cleaned_data["code"]
        with counted(self.request, self.person.username, "code"):
            if not services.use_code(self.person, code, now=timezone.now()):
                raise ValidationError(
                    gettext("That code opens nothing. A code counts once and for about a minute.")
                )
        return code


class OwnPasswordForm(forms.Form):
    """The own password, asked for before a thing that whoever finds a browser open should not do."""

    password = forms.CharField(
        label=gettext_lazy("Your password"),
        strip=False,
        widget=forms.PasswordInput(attrs={"autocomplete": "current-password"}),
    )

    def __init__(self, request: HttpRequest, *args, **kwargs) -> None:
        super().__init__(*args, **kwargs)
        self.request = request

    def clean_password(self) -> str:
        """Hold it against the person's."""
        password, person = self.cleaned_data["password"], self.request.user
        with counted(self.request, person.username):
            if not person.check_password(password):
                raise ValidationError(f"{gettext('That is not your password.')} {gettext('Type it again.')}")
        return password


class SetUpForm(OwnPasswordForm, CodeForm):
    """The own password and the app's first code."""

    field_order = ("code", "password")

    def __init__(self, request: HttpRequest, *args, factor: SecondFactor, **kwargs) -> None:
        super().__init__(request, *args, **kwargs)
        self.factor = factor

    def clean(self) -> dict[str, Any]:
        """Activate the factor; its recovery codes are in ``recovery_codes`` then."""
        if not self.errors:
            self.recovery_codes = services.confirm_factor(
                self.factor, self.cleaned_data["code"], now=timezone.now()
            )
        return self.cleaned_data


class OwnPasswordChangeForm(PasswordChangeForm):
    """Django's own, with the old password counted."""

    def __init__(self, request: HttpRequest, *args, **kwargs) -> None:
        super().__init__(request.user, *args, **kwargs)
        self.request = request

    def clean_old_password(self) -> str:
        """Hold it against the person's."""
        with counted(self.request, self.user.username):
            return super().clean_old_password()


def _zones() -> list[tuple[str, Any]]:
    """Return the zones of the IANA list that are named after places, and UTC."""
    names = sorted(name for name in available_timezones() if "/" in name and not name.startswith(NOT_PLACES))
    return [BY_THE_COMPANY, *((name, name.replace("_", " ")) for name in ["UTC", *names])]


class OwnSettingsForm(forms.ModelForm):
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
        choices=_zones,
        help_text=gettext_lazy("Visits and readings keep the clock of their site."),
    )

    class Meta:
        model = Person
        fields = ["language", "measure_system", "time_zone"]
