"""Places of sites: which have none, placing them by town, and one site's place on the map."""

from typing import Any, Final

from django import forms
from django.conf import settings
from django.contrib import messages
from django.http import Http404, HttpRequest, HttpResponseBase
from django.shortcuts import redirect, render
from django.utils.translation import gettext, gettext_lazy, ngettext
from django.views.decorators.http import require_http_methods

from fleet.models import PlaceSource, Site
from fleet.register import places as service
from fleet.register.gazetteer import towns_between
from scheduling.pages.maps import WIDTH, drawing_of
from scheduling.pages.request_context import branch_of, is_metric, now_and_today, of_own_branch
from shared.access import requires
from shared.errors import DomainError
from shared.roles import Permission
from shared.translation import translate

SHOWN: Final = 50
AT_ONCE: Final = 500
"""Sites placed by one press; more would keep the browser waiting."""
SPANS_KM: Final = (1, 5, 20, 100, 500)
NEIGHBOURS: Final = 60


class PlaceForm(forms.Form):
    """Coordinates, typed or from a click. ``source`` says which."""

    latitude = forms.FloatField(
        label=gettext_lazy("Latitude"), required=False, help_text=gettext_lazy("Degrees north, e.g. 41.05.")
    )
    longitude = forms.FloatField(
        label=gettext_lazy("Longitude"),
        required=False,
        help_text=gettext_lazy("Degrees east; west is negative."),
    )
    source = forms.ChoiceField(
        choices=[(one, one) for one in (PlaceSource.TYPED, PlaceSource.MAP)], widget=forms.HiddenInput
    )
    is_sure = forms.BooleanField(label=gettext_lazy("It is right, though it looks unlikely"), required=False)


@requires(Permission.SEE_FLEET)
@require_http_methods(["GET", "HEAD", "POST"])
def places(request: HttpRequest) -> HttpResponseBase:
    """List sites without a place with where their address has them; a post places all that are known."""
    branch_id = branch_of(request)
    if request.method == "POST":
        return _place_all(request, branch_id)
    without = service.without_place(branch_id).order_by("name")
    context = {
        "without": service.suggest(without[:SHOWN]),
        "without_count": without.count(),
        "rough": list(service.to_confirm(branch_id)[:SHOWN]),
        "rough_count": service.to_confirm(branch_id).count(),
        "shown": SHOWN,
        "country": settings.COUNTRY,
        "geocoder_credit": settings.GEOCODER_CREDIT if settings.GEOCODER_URL else "",
    }
    return render(request, "overview/places.html", context)


@requires(Permission.EDIT_FLEET)
def _place_all(request: HttpRequest, branch_id: int | None) -> HttpResponseBase:
    now, _ = now_and_today(request)
    sites = service.without_place(branch_id).order_by("name")[:AT_ONCE]
    placed = service.place_by_town(sites=sites, by=request.user, now=now)
    left = service.without_place(branch_id).count()
    told = ngettext(
        "%(n)s site was placed by its town or postal code.",
        "%(n)s sites were placed by their town or postal code.",
        placed,
    ) % {"n": placed}
    messages.success(request, told)
    if left:
        messages.warning(request, gettext("%(n)s have no place yet.") % {"n": left})
    return redirect("places")


@requires(Permission.SEE_FLEET)
@require_http_methods(["GET", "HEAD", "POST"])
def place_of_site(request: HttpRequest, code: str) -> HttpResponseBase:
    """Show where a site is, on the map; a post moves it there or confirms it."""
    sites = Site.objects.select_related("customer", "branch", "place")
    site = of_own_branch(request, sites).filter(code=code).first()
    if site is None:
        raise Http404(gettext("There is no site %(code)s.") % {"code": code})
    kept = {"latitude": site.latitude, "longitude": site.longitude, "source": PlaceSource.TYPED}
    form = PlaceForm(request.POST or None, initial=kept)
    if request.method == "POST" and _keep(request, site, form):
        return redirect("place_of_site", code)
    context = {"site": site, "form": form, "tile_credit": settings.MAP_TILE_CREDIT, **_map(request, site)}
    if getattr(site, "place", None) and site.place.source == PlaceSource.GEOCODER:
        context["geocoder_credit"] = settings.GEOCODER_CREDIT
    return render(request, "overview/place_of_site.html", context, status=422 if form.errors else 200)


@requires(Permission.EDIT_FLEET)
def _keep(request: HttpRequest, site: Site, form: PlaceForm) -> bool:
    """Move or confirm the place; False: the form says what is wrong."""
    now, _ = now_and_today(request)
    if "confirm" in request.POST:
        if service.confirm(site, by=request.user, now=now):
            messages.success(request, gettext("The place is confirmed."))
        return True
    if not form.is_valid():
        return False
    try:
        service.place_site(site, by=request.user, now=now, **form.cleaned_data)
    except DomainError as error:
        form.add_error(error.field, f"{translate(error)} {translate(error.remedy)}")
        return False
    messages.success(request, gettext("%(site)s is placed.") % {"site": site.name})
    return True


def _map(request: HttpRequest, site: Site) -> dict[str, Any]:
    """Draw the country round a site, or round where its address has it; nothing where neither is known."""
    place = getattr(site, "place", None)
    spot = None
    if site.latitude is not None and site.longitude is not None:
        middle, accuracy = (
            (site.latitude, site.longitude),
            place.accuracy_m if site.is_place_to_confirm else None,
        )
    elif spot := service.suggest([site])[0].spot:
        middle, accuracy = (spot.latitude, spot.longitude), spot.accuracy_m
    elif site.branch.latitude is not None and site.branch.longitude is not None:
        middle, accuracy = (site.branch.latitude, site.branch.longitude), None
    else:
        return {"map": None}
    asked = request.GET.get("km", "")
    usual = 1 if accuracy is None and site.latitude is not None else 20
    span = int(asked) if asked in {str(one) for one in SPANS_KM} else usual
    high = span / 111.195 / 2
    drawing = drawing_of(
        [(middle[0] - high, middle[1] - high), (middle[0] + high, middle[1] + high)], settings.MAP_TILE_URL
    )
    length, text = drawing.scale(is_metric(request))
    near = of_own_branch(request, Site.objects.all()).filter(
        latitude__range=(middle[0] - high, middle[0] + high),
        longitude__range=(middle[1] - 2 * high, middle[1] + 2 * high),
    )
    shown = [
        (one.name, *drawing.at(one.latitude, one.longitude)) for one in near.exclude(pk=site.pk)[:NEIGHBOURS]
    ]
    corners = [drawing.place_at(0, 0), drawing.place_at(WIDTH, drawing.height)]
    towns = towns_between(corners[1][0], corners[0][0], corners[0][1], corners[1][1])
    return {
        "map": drawing,
        "towns": [(town.name, *drawing.at(town.latitude, town.longitude)) for town in towns],
        "width": WIDTH,
        "at": drawing.at(*middle) if site.latitude is not None else None,
        "circle": (*drawing.at(*middle), accuracy / drawing.metres_per_point) if accuracy else None,
        "near": [one for one in shown if 0 <= one[1] <= WIDTH and 0 <= one[2] <= drawing.height],
        "corners": corners,
        "scale_points": length,
        "scale_text": text,
        "spans": SPANS_KM,
        "span": span,
        "spot": spot,
        "place": place,
    }
