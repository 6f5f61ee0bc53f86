"""Where sites are: placed by town, on the map or by coordinates; looked at before they are believed."""

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from django.db import transaction
from django.db.models import Q, QuerySet

from fleet.models import AuditArea, Person, PlaceSource, Site, SitePlace
from fleet.people import audit
from fleet.register.gazetteer import Spot, codes_in, distance_km, nearest, spot_of
from shared.errors import DomainError
from shared.messages import message

ROUGH: Final = frozenset({PlaceSource.TOWN, PlaceSource.POSTAL_CODE, PlaceSource.GEOCODER})
"""To be confirmed: by a click on the map, typed coordinates, or whoever was there."""
FAR_KM: Final = 300.0
"""So far from its town or depot a site hardly is; exchanged coordinates nearly always are."""


@dataclass(frozen=True)
class Suggestion:
    """Where a site would be put; no spot: its address names no town that is known."""

    site: Site
    spot: Spot | None

    @property
    def is_far(self) -> bool:
        """So far from the depot that the address is likely another country's or another town's."""
        depot = _depot(self.site)
        spot = self.spot
        return bool(depot and spot) and distance_km(depot, (spot.latitude, spot.longitude)) > FAR_KM

    @property
    def foreign_code(self) -> str:
        """What looks like a postal code in an address that nothing is known of; empty: nothing does."""
        return "" if self.spot else next(reversed(codes_in(self.site.address)), "")

    @property
    def source(self) -> str:
        """By what it was found."""
        return PlaceSource.POSTAL_CODE if self.spot and self.spot.is_postal_code else PlaceSource.TOWN


def without_place(branch_id: int | None) -> QuerySet[Site]:
    """Return open sites that have no place, so that nobody can be sent there."""
    sites = Site.objects.filter(Q(latitude=None) | Q(longitude=None), is_closed=False)
    return (sites.filter(branch_id=branch_id) if branch_id else sites).select_related("customer", "branch")


def to_confirm(branch_id: int | None) -> QuerySet[SitePlace]:
    """Return rough places that nobody has confirmed."""
    places = SitePlace.objects.to_confirm().filter(site__is_closed=False)
    places = places.filter(site__branch_id=branch_id) if branch_id else places
    return places.select_related("site__customer").order_by("site__name")


def suggest(sites: Iterable[Site]) -> list[Suggestion]:
    """Return where sites would be put by postal code or town, near their depots where names repeat."""
    return [Suggestion(site, spot_of(site.address, site.area, _depot(site))) for site in sites]


def place_by_town(*, sites: QuerySet[Site], by: Person | None, now: datetime) -> int:
    """Put sites without a place where their address has them, roughly. Twice or side by side does no harm."""
    placed = 0
    for one in suggest(sites):
        if one.spot is None or one.is_far:
            continue
        with transaction.atomic():
            site = Site.objects.select_for_update(of=("self",)).get(pk=one.site.pk)
            if site.latitude is None or site.longitude is None:
                _put(site, one.spot.latitude, one.spot.longitude, one.source, one.spot.accuracy_m, by, now)
                placed += 1
    return placed


@transaction.atomic
def place_better(
    site: Site, latitude: float, longitude: float, accuracy_m: float | None, *, now: datetime
) -> bool:
    """Take a geocoder's answer, not far from the depot, for a site without a place or with its town's."""
    site = Site.objects.select_for_update(of=("self",)).select_related("branch").get(pk=site.pk)
    rough = SitePlace.objects.to_confirm().filter(site=site, source__in=ROUGH - {PlaceSource.GEOCODER})
    depot = _depot(site)
    is_far = depot is not None and distance_km(depot, (latitude, longitude)) > FAR_KM
    if is_far or (site.latitude is not None and site.longitude is not None and not rough.exists()):
        return False
    _put(site, latitude, longitude, PlaceSource.GEOCODER, accuracy_m, None, now)
    return True


@transaction.atomic
def place_site(
    site: Site, *, latitude: float | None, longitude: float | None, source: str, by: Person | None,
    now: datetime, accuracy_m: float | None = None, is_sure: bool = False,
) -> SitePlace:  # fmt: skip
    """Say where a site is. Raises DomainError as check_place does."""
    site = Site.objects.select_for_update(of=("self",)).select_related("branch").get(pk=site.pk)
    check_place(latitude, longitude, site=site, is_sure=is_sure)
    return _put(site, latitude, longitude, source, accuracy_m, by, now)


@transaction.atomic
def confirm(site: Site, *, by: Person | None, now: datetime) -> bool:
    """Say that a rough place is right. False: there was nothing to confirm."""
    if not SitePlace.objects.to_confirm().filter(site=site).exists():
        return False
    SitePlace.objects.filter(site=site).update(confirmed_at=now)
    audit.note(message("place confirmed"), area=AuditArea.FLEET, about=site.code, detail="", by=by, now=now)
    return True


def check_place(
    latitude: float | None, longitude: float | None, *, site: Site | None = None, is_sure: bool = False
) -> None:
    """Raise DomainError for half a place, 0/0, one off the earth; unless sure also for an unlikely one."""
    if latitude is None or longitude is None:
        missing = "latitude" if latitude is None else "longitude"
        raise DomainError(
            message("Half a place is none: {missing} is missing.", missing=missing),
            remedy=message("Fill in both."),
            field=missing,
        )
    if not (-90 <= latitude <= 90 and -180 <= longitude <= 180):
        is_exchanged = -90 <= longitude <= 90 and -180 <= latitude <= 180
        raise DomainError(
            message("{north:g}, {east:g} is no place on earth.", north=latitude, east=longitude),
            remedy=message("Latitude comes first; they look exchanged.")
            if is_exchanged
            else message("Latitude is −90 to 90, longitude −180 to 180."),
            field="latitude",
        )
    if latitude == 0 and longitude == 0:
        raise DomainError(
            message("0, 0 lies in the Gulf of Guinea; programs write it where nothing is known."),
            remedy=message("Leave both blank, or give the true place."),
            field="latitude",
        )
    if not is_sure:
        _check_likely(latitude, longitude, site)


def _check_likely(latitude: float, longitude: float, site: Site | None) -> None:
    wanted = None
    if site is not None:
        town = spot_of(site.address, site.area, _depot(site))
        wanted = (town.latitude, town.longitude) if town else _depot(site)
    here, exchanged = (latitude, longitude), (longitude, latitude)
    is_far = wanted and -90 <= longitude <= 90 and distance_km(here, wanted) > FAR_KM
    if is_far and distance_km(exchanged, wanted) <= FAR_KM:
        raise DomainError(
            message("Latitude {y:g} and longitude {x:g} look exchanged.", y=latitude, x=longitude),
            remedy=message("Write {x:g}, {y:g}, or say that it is right.", y=latitude, x=longitude),
            field="latitude",
        )
    if nearest(latitude, longitude) is None:
        raise DomainError(
            message("No town lies within 100 km of {north:g}, {east:g}: it may be in the sea.",
                    north=latitude, east=longitude),
            remedy=message("Check the signs and the figures, or say that it is right."),
            field="latitude",
        )  # fmt: skip


def _depot(site: Site) -> tuple[float, float] | None:
    branch = site.branch
    return (
        None if branch.latitude is None or branch.longitude is None else (branch.latitude, branch.longitude)
    )


@transaction.atomic
def _put(
    site: Site, latitude: float | None, longitude: float | None, source: str, accuracy_m: float | None,
    by: Person | None, now: datetime,
) -> SitePlace:  # fmt: skip
    was = "–" if site.latitude is None else f"{site.latitude:.5f}, {site.longitude:.5f}"
    Site.objects.filter(pk=site.pk).update(latitude=latitude, longitude=longitude)
    place, _ = SitePlace.objects.update_or_create(
        site=site,
        defaults={
            "latitude": latitude, "longitude": longitude, "source": source, "accuracy_m": accuracy_m,
            "placed_at": now, "confirmed_at": None if source in ROUGH else now,
        },
    )  # fmt: skip
    detail = f"{was} → {latitude:.5f}, {longitude:.5f} ({source})"
    audit.note(message("site placed"), area=AuditArea.FLEET, about=site.code, detail=detail, by=by, now=now)
    return place
