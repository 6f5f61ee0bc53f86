"""Travel times: from a road engine when one is configured, kept in the database; else the estimate."""

import hashlib
from collections.abc import Mapping, Sequence

from django.conf import settings
from django.db.models import Q

from scheduling.models import TravelLeg
from scheduling.planning.road_engine import Leg, PairKey, RoadEngine, road_travel
from scheduling.planning.travel import Place, TravelSettings, TravelTable, estimate_travel
from scheduling.services.order_states import in_batches
from scheduling.services.plan_settings import corrections_among

_ENGINE_LENGTH = TravelLeg._meta.get_field("engine").max_length


class LegsInDatabase:
    """Keeps legs as rows, per engine and pair of points rounded to about a metre."""

    def fetch(self, engine: str, keys: Sequence[PairKey]) -> Mapping[PairKey, Leg]:
        """Return the legs that are known."""
        wanted = set(keys)
        by_text = {(_text(key[0], key[1]), _text(key[2], key[3])): key for key in wanted}
        origins = sorted({origin for origin, _ in by_text})
        found: dict[PairKey, Leg] = {}
        for part in in_batches(origins):
            rows = TravelLeg.objects.filter(
                Q(engine=_short(engine)), from_place__in=part, seconds__isnull=False
            )
            for origin, destination, seconds, metres in rows.values_list(
                "from_place", "to_place", "seconds", "metres"
            ).iterator():
                key = by_text.get((origin, destination))
                if key is not None:
                    found[key] = (seconds, metres or 0)
        return found

    def store(self, engine: str, legs: Mapping[PairKey, Leg]) -> None:
        """Keep legs; what is known already stays."""
        TravelLeg.objects.bulk_create(
            (
                TravelLeg(
                    engine=_short(engine), from_place=_text(key[0], key[1]), to_place=_text(key[2], key[3]),
                    seconds=seconds, metres=metres,
                )
                for key, (seconds, metres) in legs.items()
            ),
            batch_size=2000,
            ignore_conflicts=True,
        )  # fmt: skip


def travel_between(places: Sequence[Place], pace: float = 1.0) -> TravelTable:
    """Return the travel table of these places, and say in it where the times come from.

    Drives set by hand between two sites win over the road engine and over the estimate; ``pace`` multiplies
    the estimate alone.
    """
    hand_set = corrections_among(place.id for place in places)
    reckoned = TravelSettings(pace=pace)
    if settings.ROAD_ENGINE_URL:
        engine = RoadEngine(settings.ROAD_ENGINE_URL)
        return road_travel(places, engine, cache=LegsInDatabase(), settings=reckoned, corrections=hand_set)
    return estimate_travel(places, settings=reckoned, corrections=hand_set)


def _text(latitude: float, longitude: float) -> str:
    return f"{latitude:.5f},{longitude:.5f}"


def _short(engine: str) -> str:
    if len(engine) <= _ENGINE_LENGTH:
        return engine
    return f"{engine[: _ENGINE_LENGTH - 13]} {hashlib.sha256(engine.encode()).hexdigest()[:12]}"
