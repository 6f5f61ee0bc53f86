"""Which treatment units a query is about."""

from dataclasses import dataclass

from django.db.models import Q


@dataclass(frozen=True)
class UnitRange:
    """Which treatment units a shard holds: all ids from first to last, or just those listed."""

    first_id: int = 0
    last_id: int = 0
    only_ids: tuple[int, ...] = ()
    except_ids: tuple[int, ...] = ()

    def where(self, column: str) -> str:
        """SQL condition on an id column. Holds whole numbers only."""
        but = f" AND {column} NOT IN ({_listed(self.except_ids)})" if self.except_ids else ""
        if self.only_ids:
            return f"{column} IN ({_listed(self.only_ids)}){but}"
        return f"{column} BETWEEN {int(self.first_id)} AND {int(self.last_id)}{but}"

    def condition(self, column: str) -> Q:
        """The same as a condition of the ORM."""
        held = Q(**{f"{column}__gte": self.first_id, f"{column}__lte": self.last_id})
        if self.only_ids:
            held = Q(**{f"{column}__in": sorted(self.only_ids)})
        return held & ~Q(**{f"{column}__in": self.except_ids}) if self.except_ids else held


def _listed(ids: tuple[int, ...]) -> str:
    return ", ".join(str(int(one)) for one in sorted(ids))
