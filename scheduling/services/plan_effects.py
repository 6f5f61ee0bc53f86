"""The difference between two plans as plain words and figures, kept with a change and shown on pages."""

from scheduling.models import Technician, WorkOrder
from scheduling.planning.compare import Comparison, Spot

Effect = dict
"""drive_minutes, price_minutes, late_days (positive: more), promises_moved, kept, people, changes."""


def effect_of(
    found: Comparison,
    order_of: dict[str, WorkOrder],
    technician_of: dict[str, Technician],
    *,
    is_priced: bool = True,
) -> Effect:
    """Return what a later plan changes. Minutes and days are positive when the later plan has more.

    Without a price on both plans (``is_priced`` False) the price is left out.
    """
    return {
        "drive_minutes": round(-found.drive_saved_min),
        "price_minutes": round(-found.price_saved_min) if is_priced else None,
        "late_days": -found.late_days_saved,
        "promises_moved": found.promises_moved,
        "kept": found.kept,
        "people": [_name(code, technician_of) for code in found.technicians],
        "changes": [
            {
                "pk": order_of[one.job_id].pk,
                "number": one.job_id,
                "site": order_of[one.job_id].site.name,
                "kind": one.kind.value,
                "was": _spot(one.before, technician_of),
                "now": _spot(one.after, technician_of),
                "promise_moved": one.promise_moved,
            }
            for one in found.changes
            if one.job_id in order_of
        ],
    }


def _spot(spot: Spot | None, technician_of: dict[str, Technician]) -> dict | None:
    if spot is None:
        return None
    hours, minutes = divmod(spot.start_s // 60, 60)
    return {
        "who": _name(spot.technician_id, technician_of),
        "day": spot.day.isoformat(),
        "at": f"{hours:02d}:{minutes:02d}",
    }


def _name(code: str, technician_of: dict[str, Technician]) -> str:
    return technician_of[code].name if code in technician_of else code
