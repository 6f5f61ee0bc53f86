"""Addresses placed by a geocoder over HTTP, where the operator named one: cached, one request a second.

Nominatim's search (nominatim.org, "Search queries") by its usage policy: at most one request a second, a
User-Agent of one's own, answers kept, OpenStreetMap credited. Both from memory.
"""

import hashlib
import json
import time
import urllib.error
import urllib.parse
import urllib.request
from collections.abc import Callable
from datetime import datetime
from typing import Any, Final

from django.conf import settings
from django.db import IntegrityError, transaction
from django.db.models import Q

from fleet.models import GeocodedAddress, PlaceSource, Site
from fleet.register import places
from fleet.register.gazetteer import distance_km
from fleet.register.gazetteer_build import folded

TIMEOUT_S: Final = 10.0
LEAST_ACCURACY_M: Final = 50.0
"""A house's box may be a point; the way in is not."""
ROUGHER: Final = (PlaceSource.TOWN, PlaceSource.POSTAL_CODE)


class GeocoderSilent(Exception):
    """The geocoder gave no usable answer; it is asked again later."""


def address_of(site: Site) -> str:
    """Return what is asked for a site; empty where nothing is known."""
    return ", ".join(part.strip() for part in (site.address, site.area) if part.strip())


def digest_of(address: str) -> str:
    """Return what an answer is kept under: no address can be read from it."""
    return hashlib.sha256(f"{settings.COUNTRY} {folded(address)}".encode()).hexdigest()


def place_by_geocoder(
    *, clock: Callable[[], datetime], pause: Callable[[float], None] = time.sleep, most: int = 100
) -> int:
    """Place sites that have no place, or their town's only, by what the geocoder says; ask for ``most``.

    A failing geocoder ends this turn; what is left waits for the next. May run twice or beside itself.
    """
    if not settings.GEOCODER_URL:
        return 0
    rough = Q(place__source__in=ROUGHER, place__confirmed_at=None)
    sites = Site.objects.filter(Q(latitude=None) | Q(longitude=None) | rough, is_closed=False)
    kept = {row.digest: row for row in GeocodedAddress.objects.filter(is_answered=True)}
    placed = asked = 0
    for site in sites.select_related("branch").order_by("pk"):
        address = address_of(site)
        if not address:
            continue
        answer = kept.get(digest_of(address))
        if answer is None:
            if asked == most:
                continue
            asked += 1
            try:
                answer = kept[digest_of(address)] = _answer(address, clock, pause)
            except GeocoderSilent:
                break
        if answer.latitude is not None:
            placed += places.place_better(
                site, answer.latitude, answer.longitude, answer.accuracy_m, now=clock()
            )
    return placed


def _answer(address: str, clock: Callable[[], datetime], pause: Callable[[float], None]) -> GeocodedAddress:
    row = _in_a_second_of_its_own(digest_of(address), clock, pause)
    found = _ask(address)
    row.is_answered = True
    if found:
        row.latitude, row.longitude, row.accuracy_m = found
    row.save(update_fields=["is_answered", "latitude", "longitude", "accuracy_m"])
    pause(1.0)
    return row


def _in_a_second_of_its_own(
    digest: str, clock: Callable[[], datetime], pause: Callable[[float], None]
) -> GeocodedAddress:
    """Claim a second in which nobody else asks: the database holds each once, for all workers."""
    for _ in range(100):
        try:
            with transaction.atomic():
                second = {"asked_in_second": int(clock().timestamp())}
                return GeocodedAddress.objects.update_or_create(digest=digest, defaults=second)[0]
        except IntegrityError:
            pause(1.0)
    raise GeocoderSilent("Others ask in every second.")


def _ask(address: str) -> tuple[float, float, float] | None:
    """Return latitude, longitude and radius in metres; None: nothing is found. Raises GeocoderSilent."""
    asked = {"q": address, "format": "jsonv2", "limit": 1, "countrycodes": settings.COUNTRY.lower()}
    request = urllib.request.Request(
        f"{settings.GEOCODER_URL.rstrip('/')}/search?{urllib.parse.urlencode(asked)}",
        headers={"User-Agent": f"Tapward/0.1 ({settings.DEFAULT_FROM_EMAIL})", "Accept": "application/json"},
    )
    try:
        with urllib.request.urlopen(request, timeout=TIMEOUT_S) as answer:
            return _spot(json.load(answer))
    except (OSError, ValueError, KeyError, TypeError, IndexError) as trouble:
        raise GeocoderSilent(str(trouble)) from trouble


def _spot(found: list[dict[str, Any]]) -> tuple[float, float, float] | None:
    if not found:
        return None
    latitude, longitude = float(found[0]["lat"]), float(found[0]["lon"])
    if not (-90 <= latitude <= 90 and -180 <= longitude <= 180):
        raise ValueError("no place on earth")
    south, north, west, east = map(float, found[0].get("boundingbox") or [latitude] * 2 + [longitude] * 2)
    return latitude, longitude, max(LEAST_ACCURACY_M, 500 * distance_km((south, west), (north, east)))
