"""The positions of a treatment unit at a visit: what is in them, what would fit, what lies on the van."""

from dataclasses import dataclass
from datetime import date

from django.db.models import Sum

from fleet.models import Part, PartKind, Position
from fleet.science.on_site import Sheet, sheet_of
from scheduling.models import StockLevel, Technician, WorkOrder
from shared.periods import local_day


@dataclass(frozen=True)
class KindOption:
    """A part that would fit, with what flushing it takes."""

    code: str
    name: str
    role: str
    needs_flush: bool
    flush_gal: float | None
    flush_gpm: float | None
    on_van: int
    lots: list[str]
    sheet: Sheet
    """As a new one of its kind; its own rejection stands on it."""


@dataclass(frozen=True)
class PositionRow:
    """A position of the treatment unit, what is in it and what would fit."""

    code: str
    part: Part | None
    installed_on: date | None
    wear: float | None
    order: WorkOrder | None
    """The order of this visit that is about this position, also when its part has gone."""
    options: list[KindOption]
    sheet: Sheet | None
    """Of the membrane in place."""

    @property
    def order_id(self) -> int | None:
        return self.order.pk if self.order else None

    @property
    def is_asked(self) -> bool:
        """True while the part the order asks for is in place."""
        return bool(self.part and self.order and self.order.part_id == self.part.pk)

    @property
    def roles(self) -> list[str]:
        """What the part here does to the water; of an empty position nobody knows."""
        return [self.part.kind.role] if self.part else []

    @property
    def lots(self) -> list[str]:
        return sorted({lot for option in self.options for lot in option.lots})


def positions_of(orders: list[WorkOrder], technician: Technician) -> list[PositionRow]:
    """Return the positions of a unit along the water. Its orders come with part, kind and site."""
    unit_id, zone = orders[0].treatment_unit_id, orders[0].site.time_zone
    in_place = {
        part.position_id: part
        for part in Part.objects.in_place()
        .filter(treatment_unit_id=unit_id)
        .select_related("kind", "state", "membrane")
    }
    by_position = {order.part.position_id: order for order in orders if order.part}
    kinds = list(PartKind.objects.all())
    van = _van_stock(technician)
    rows = []
    for position in Position.objects.filter(treatment_unit_id=unit_id).order_by("order"):
        part = in_place.get(position.pk)
        state = getattr(part, "state", None) if part else None
        rows.append(
            PositionRow(
                code=position.code,
                part=part,
                installed_on=local_day(part.installed_at, zone) if part else None,
                wear=state.wear if state else None,
                order=by_position.get(position.pk),
                options=[_option(kind, van) for kind in kinds if part is None or kind.role == part.kind.role],
                sheet=_sheet(part.kind, part.membrane.factory_rejection)
                if part and hasattr(part, "membrane")
                else None,
            )
        )
    return rows


def _van_stock(technician: Technician) -> dict[int, list[tuple[str, int]]]:
    stock: dict[int, list[tuple[str, int]]] = {}
    levels = StockLevel.objects.filter(place__technician=technician, quantity__gt=0)
    for kind_id, lot, total in (
        levels.values_list("kind_id", "lot").annotate(total=Sum("quantity")).order_by("lot")
    ):
        stock.setdefault(kind_id, []).append((lot, total))
    return stock


def _option(kind: PartKind, van: dict[int, list[tuple[str, int]]]) -> KindOption:
    lying = van.get(kind.pk, [])
    return KindOption(
        code=kind.code,
        name=kind.name,
        role=kind.role,
        needs_flush=kind.needs_flush,
        flush_gal=kind.flush_gal,
        flush_gpm=kind.flush_gpm,
        on_van=sum(count for _, count in lying),
        lots=[lot for lot, _ in lying if lot],
        sheet=_sheet(kind),
    )


def _sheet(kind: PartKind, rejection: float | None = None) -> Sheet:
    return sheet_of(
        kind.rated_permeate_gal_per_day, rejection, kind.temperature_k_below_25, kind.temperature_k_from_25
    )
