"""Whoever is at a site says where it is: the phone's position is offered, never taken unasked."""

from django import forms
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import redirect, render
from django.utils.translation import gettext
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_http_methods

from fleet.models import PlaceSource
from fleet.register import places
from scheduling.crew.day_load import technician_of
from scheduling.models import Stop
from scheduling.pages.request_context import now_and_today
from shared.access import requires
from shared.errors import DomainError
from shared.roles import Permission
from shared.translation import translate


class PositionForm(forms.Form):
    """What the phone measured. ``accuracy_m``: radius of 95 % (W3C Geolocation)."""

    latitude = forms.FloatField(widget=forms.HiddenInput)
    longitude = forms.FloatField(widget=forms.HiddenInput)
    accuracy_m = forms.FloatField(widget=forms.HiddenInput, min_value=0, max_value=1_000)


@requires(Permission.CLOSE_OWN_STOPS)
@require_http_methods(["GET", "POST"])
@never_cache
def place_of_own_stop(request: HttpRequest, pk: int) -> HttpResponse:
    """Confirm the rough place of a stop of one's own, or keep the phone's position as its place."""
    technician = technician_of(request.user.pk)
    own = Stop.objects.filter(route__technician=technician, route__is_in_force=True)
    stop = own.select_related("site__place", "route").filter(pk=pk).first() if technician else None
    if stop is None:
        raise Http404(gettext("This stop stands on no route of yours."))
    form = PositionForm(request.POST or None)
    if request.method == "POST" and stop.site.is_place_to_confirm and _keep(request, stop, form):
        return redirect("day", stop.route.day.isoformat())
    answer = render(request, "visits/place.html", {"stop": stop, "site": stop.site, "form": form})
    answer.asks_for_position = True
    return answer


def _keep(request: HttpRequest, stop: Stop, form: PositionForm) -> bool:
    now, _ = now_and_today(request)
    if "confirm" in request.POST:
        places.confirm(stop.site, by=request.user, now=now)
    elif not form.is_valid():
        messages.error(
            request, gettext("The phone gave no position, or one rougher than 1 km. Nothing was kept.")
        )
        return False
    else:
        try:
            places.place_site(
                stop.site, **form.cleaned_data, source=PlaceSource.PHONE, by=request.user, now=now
            )
        except DomainError as error:
            messages.error(request, f"{translate(error)} {translate(error.remedy)}")
            return False
    messages.success(
        request, gettext("Thank you. The place of %(site)s is known now.") % {"site": stop.site.name}
    )
    return True
