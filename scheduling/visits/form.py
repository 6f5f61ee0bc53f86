"""A visit's form, declared once: what the page shows, what is read from it and what the phone asks for.

The plain page and the phone's queue send the same fields, read by the same rules. Nothing is written here.
"""

from collections.abc import Mapping, Sequence
from dataclasses import asdict, replace
from datetime import datetime
from typing import Any, Final

from django import forms
from django.utils.dateparse import parse_datetime
from django.utils.translation import gettext, gettext_lazy

from scheduling.models import NotDoneBecause, Outcome
from scheduling.pages.figures import quantity_of
from scheduling.visits.checks import WHY_NOT_DONE, VisitForm
from scheduling.visits.fields import (
    MinutesField,
    Need,
    NumberField,
    Problem,
    StrokesField,
    choice,
    hidden,
    text_line,
)
from scheduling.visits.unit_entry import UnitEntry
from scheduling.visits.unit_form import NO_OUTCOME, NO_REASON, WORKED, VisitNames
from scheduling.visits.visit_page import VisitPage
from shared.measures import Measure

FEED_TEST: Final[dict[str, str]] = {
    "free_chlorine_mg_l": gettext_lazy("Free chlorine"),
    "chloramine_mg_l": gettext_lazy("Chloramine"),
    "hardness_mg_l": gettext_lazy("Hardness"),
    "alkalinity_mg_l": gettext_lazy("Alkalinity"),
    "ph": "pH",
    "conductivity_us_cm": gettext_lazy("Conductivity"),
    "temperature_c": gettext_lazy("Temperature"),
    "tds_mg_l": gettext_lazy("Dissolved solids"),
    "iron_mg_l": gettext_lazy("Iron"),
    "turbidity_ntu": gettext_lazy("Turbidity"),
}
"""What a feed test may hold, in the order it is tested."""
AS_CACO3: Final = ("hardness_mg_l", "alkalinity_mg_l")
FIELD_MEANT: Final = {
    "performance": "feed_pressure_psi", "flush": "flush_volume", "volume_gal": "flush_volume",
}  # fmt: skip
"""Where on the page a refusal's field is, when it is called otherwise there."""
NO_NUMBER: Final = gettext_lazy("This form has no number of its own. Load the page again.")
MINUTES_MISSING: Final = gettext_lazy("Minutes on site are missing. Write how long you were here.")


class VisitEntry(VisitNames):
    """What a visit asks, filled with what was typed so far."""

    client_id = forms.UUIDField(
        widget=forms.HiddenInput, error_messages={"required": NO_NUMBER, "invalid": NO_NUMBER}
    )
    orders = hidden()
    finished_at = hidden()
    opened_at = hidden()
    photos = hidden()
    not_done = choice(gettext_lazy("Why"), NotDoneBecause.choices, NO_REASON)
    offer = text_line(gettext_lazy("When the customer says to come"), 160, autocomplete="off")
    minutes = MinutesField(gettext_lazy("Minutes on site"), keys="numeric")
    note = forms.CharField(
        label=gettext_lazy("Note"), required=False, widget=forms.Textarea(attrs={"rows": 3})
    )
    signed_by = text_line(gettext_lazy("Signed for on site by"), 120, autocomplete="off")
    signature = StrokesField(required=False, widget=forms.HiddenInput)

    def __init__(self, page: VisitPage, system: str, typed: Mapping[str, str] | None = None, **initial: Any):
        self.page = page
        outcomes = {one.pk: self.of_order(one, "outcome") for one in page.orders}
        super().__init__(
            None if typed is None else self._completed(typed, outcomes),
            auto_id="%s",
            initial={"minutes": page.minutes, "orders": ",".join(map(str, outcomes)), **initial},
        )
        first, *others = outcomes.values()
        self.needs = [Need(first, NO_OUTCOME, instead=others), Need("minutes", MINUTES_MISSING)]
        self.units = [UnitEntry(self, unit) for unit in page.units]
        other = {self.of_order(one, "because"): [NotDoneBecause.OTHER.value] for one in page.orders}
        self.needs.append(Need("note", gettext_lazy(WHY_NOT_DONE), when=other))
        for name, label in FEED_TEST.items() if page.asks_feed_test else ():
            as_caco3 = gettext("%(value)s as CaCO3") % {"value": Measure.MG_PER_LITRE.value}
            measure = as_caco3 if name in AS_CACO3 else ""
            self.fields[f"test__{name}"] = NumberField(label, quantity_of(name), measure=measure)
        for one in self.fields.values():
            if isinstance(one, NumberField):
                one.use(system)
        for unit in self.units:
            unit.expect(system)

    def _completed(self, typed: Mapping[str, str], outcomes: Mapping[int, str]) -> dict[str, str]:
        """Return what was typed; why the whole visit came to nothing stands for each order not spoken of."""
        # No keyboard makes a NUL, and PostgreSQL keeps none.
        data = {name: text.replace("\x00", "") for name, text in typed.items()}
        if data.get("not_done"):
            for one in self.page.orders:
                if not data.get(outcomes[one.pk]):
                    data[outcomes[one.pk]] = Outcome.NOT_DONE.value
                    data[self.of_order(one, "because")] = data["not_done"]
        for unit in self.page.units:
            for row in unit.positions:
                lot, serial, change = (
                    self.of_unit(unit, f"{name}__{row.code}") for name in ("lot", "serial", "change")
                )
                # The tick that stood there goes with its order that was not done, unless more was typed.
                outcome = data.get(outcomes.get(row.order_id, ""), Outcome.DONE)
                if outcome not in WORKED and not (data.get(lot) or data.get(serial)):
                    data.pop(change, None)
        return data

    def feed_test(self) -> list[forms.BoundField]:
        return [self[name] for name in self.fields if name.startswith("test__")]

    def needs_told(self) -> list[dict]:
        """Return what must be filled in, for the phone's script."""
        return [{**asdict(need), "text": str(need.text)} for need in self.needs]

    def clean(self) -> dict:
        data = super().clean()
        for need in self.needs:
            if need.is_missing(self.data):
                self.add_error(need.field, need.text)
        for unit in self.units:
            unit.check()
        return data

    def refuse(self, field: str, text: str) -> None:
        """Show a service's refusal at its field, if the page has it."""
        self.add_error(self.field_meant(field), text)

    def field_meant(self, field: str) -> str | None:
        """Return the page's field that a service's refusal names; ``o7:`` before it says of which order."""
        about, has_order, rest = field.partition(":") if field.startswith("o") else ("", "", field)
        if has_order and not about[1:].isdigit():
            about, rest = "", field
        one = next((one for one in self.page.orders if f"o{one.pk}" == about), self.page.orders[0])
        unit = next(unit for unit in self.page.units if one in unit.orders)
        name = rest.replace("step:", "step__")
        name = FIELD_MEANT.get(name, name)
        known = (self.of_unit(unit, name), self.of_order(one, name), name)
        return next((name for name in known if name in self.fields), None)

    def problems(self) -> list[Problem]:
        """Return everything that can't be right, in the order of the fields."""
        order = {name: place for place, name in enumerate(self.fields)}
        names = sorted(self.errors, key=lambda name: order.get(name, len(order)))
        return [Problem(name, text) for name in names for text in self.errors[name]]

    def report(self, finished_at: datetime) -> VisitForm:
        """Return what was typed, once it is valid, as what is written of the visit."""
        data = self.cleaned_data
        results = [one for unit in self.units for one in unit.results(finished_at)]
        planned = {one.pk: one.order.minutes for one in self.page.orders}
        shares = shared_out(round(data["minutes"]), [planned[one.order_id] for one in results])
        tests = {name: data.get(f"test__{name}") for name in FEED_TEST}
        return VisitForm(
            client_id=data["client_id"],
            results=[replace(one, minutes=share) for one, share in zip(results, shares, strict=True)],
            started_at=moment_of(data["opened_at"]),
            feed_test={name: value for name, value in tests.items() if value is not None},
        )


def shared_out(minutes: int, planned: Sequence[int]) -> list[int]:
    """Return whole minutes shared in proportion to what was planned for each; they add up."""
    weights = planned if sum(planned) else [1] * len(planned)
    ends = [round(minutes * sum(weights[: n + 1]) / sum(weights)) for n in range(len(weights))]
    return [end - begin for begin, end in zip([0, *ends], ends, strict=False)]


def moment_of(text: str) -> datetime | None:
    """Return a moment that a phone sent with its zone; None when it is none."""
    try:
        said = parse_datetime(text) if text else None
    except ValueError:
        return None
    return said if said is not None and said.tzinfo is not None else None


def orders_of(typed: Mapping[str, str]) -> list[int]:
    """Return the orders a form was made for."""
    return [int(text) for text in typed.get("orders", "").split(",") if _is_number(text)]


def versions_of(typed: Mapping[str, str], orders: Sequence[int]) -> dict[int, int | None]:
    """Return the version of the steps that was shown with each order."""
    found = {}
    for pk in orders:
        digits = typed.get("sheet_version" if len(orders) == 1 else f"sheet_version__o{pk}", "")
        found[pk] = int(digits) if _is_number(digits) and len(digits) < 5 else None
    return found


def _is_number(text: str) -> bool:
    return text.isascii() and text.isdigit() and len(text) < 16
