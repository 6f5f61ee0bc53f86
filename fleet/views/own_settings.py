"""A person's own settings: language, clock, measures."""

from zoneinfo import available_timezones

from django import forms
from django.contrib import messages
from django.contrib.auth.decorators import login_required
from django.http import HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils import timezone, translation
from django.utils.translation import gettext, gettext_lazy
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from fleet.models import Language, MeasureSystem
from fleet.services.people import set_own_settings

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
    return render(request, "fleet/own_settings.html", {"form": form}, status=422 if form.errors else 200)
