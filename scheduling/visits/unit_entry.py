"""What was typed of one treatment unit of a visit, checked and read."""

from datetime import datetime
from typing import Any, Final

from django.utils.translation import gettext

from fleet.models import RemovalReason
from scheduling.models import Outcome
from scheduling.orders.kinds import Closing
from scheduling.orders.step_library import applies
from scheduling.visits.checks import CloseOutForm, FlushForm, PartChange, result_number
from scheduling.visits.positions import PositionRow
from scheduling.visits.readings import GAUGES
from scheduling.visits.unit_form import FOUND, WORKED, UnitFields, evidence_of
from scheduling.visits.visit_page import OrderHere

LONGEST_NOTE: Final = 4000
"""Characters of a note; what is beyond it is cut off."""


class UnitEntry(UnitFields):
    """The part of a visit's form that one treatment unit is asked for, with what was typed there."""

    def _said(self, name: str) -> Any:
        return self.form.cleaned_data.get(self.named(name))

    def _reported(self, *among: str) -> list[OrderHere]:
        said = self.form.cleaned_data
        return [one for one in self.unit.orders if said.get(self.outcomes[one.pk]) in among]

    def _changed(self) -> list[PositionRow]:
        return [row for row in self.unit.positions if self._said(f"change__{row.code}")]

    def check(self) -> None:
        """Look at what hangs together within a unit."""
        volume, minutes = self.named("flush_volume"), self.named("flush_minutes")
        drained = self._said("flush_volume") or self._said("flush_minutes")
        if (
            self._said("flush_clear") == "yes"
            and not drained
            and not {volume, minutes} & set(self.form.errors)
        ):
            told = gettext("A flush that ran clear took water and time. Write how much drained.")
            self.form.add_error(volume, told)
        if self._reported(*WORKED, Outcome.NOT_DONE):
            for row in self._changed():
                self._check_change(row, self._change(row))

    def _change(self, row: PositionRow) -> PartChange:
        sent = {name: self._said(f"{name}__{row.code}") or "" for name in ("removed", "reason", "kind")}
        removed = int(sent["removed"]) if sent["removed"].isascii() and sent["removed"].isdigit() else None
        return PartChange(
            position_code=row.code,
            removal_reason=sent["reason"] if removed is not None else "",
            kind_code=sent["kind"],
            serial=self._said(f"serial__{row.code}")[:60],
            lot=self._said(f"lot__{row.code}")[:60],
            removed_part_id=removed,
            factory_rejection=self._said(f"sheet__{row.code}"),
            evidence={
                name: self._said(f"evidence__{row.code}")
                for name, _ in evidence_of(row)
                if self._said(f"evidence__{row.code}") is not None
            },
        )

    def _check_change(self, row: PositionRow, change: PartChange) -> None:
        told = {"code": row.code, "kind": repr(change.kind_code)}
        name, was_empty = self.named(f"change__{row.code}"), change.removed_part_id is None
        if change.kind_code and change.kind_code not in {option.code for option in row.options}:
            said = gettext("%(code)s: %(kind)s does not fit here. Choose a part from the list.")
            self.form.add_error(name, said % told)
        if not was_empty and change.removal_reason not in RemovalReason.values:
            self.form.add_error(name, gettext("%(code)s: say why the old part came out.") % told)
        if was_empty and not change.kind_code:
            said = gettext("%(code)s was empty and nothing was put in. Take the tick away.")
            self.form.add_error(name, said % told)

    def results(self, finished_at: datetime) -> list[CloseOutForm]:
        """Return what became of each order that is reported.

        What is asked of the unit once stands with the order whose work it is most; the others are told of it.
        """
        reported, worked = self._reported(*Outcome.values), self._reported(*WORKED)
        if not reported:
            return []
        bearer = max(worked or reported, key=self._weight)
        takers = {one.pk for one in worked}
        flush, total = self._flush(), self._said("meter_total")
        beside = ["flush"] * bool(flush) + ["meter_total"] * (total is not None)
        beside += ["bedding"] * bool(self._reported(Outcome.BEDDING))
        results = []
        for one in reported:
            is_bearer = one is bearer
            changes = [
                self._change(row)
                for row in self._changed()
                if row.order_id == one.pk or (is_bearer and row.order_id not in takers)
            ]
            results.append(
                CloseOutForm(
                    **self._told(one, finished_at),
                    part_changes=changes,
                    flush=flush if is_bearer else None,
                    meter_total=total if is_bearer else None,
                    performance=self._performance() if is_bearer else {},
                    as_found=self._read(FOUND) if is_bearer else {},
                    beside=() if is_bearer else beside,
                )
            )
        return results

    def _weight(self, one: OrderHere) -> tuple:
        outcome = self.form.cleaned_data[self.outcomes[one.pk]]
        needs_flush = bool(one.order.part and one.order.part.kind.needs_flush)
        kind = one.order.work_kind
        return outcome == Outcome.BEDDING, needs_flush, kind.needs_part, kind.closing is Closing.FLUSH

    def _told(self, one: OrderHere, finished_at: datetime) -> dict[str, Any]:
        form, data = self.form, self.form.cleaned_data
        # One order's own address has always used the phone's number itself.
        number = result_number(data["client_id"], one.pk) if form.page.is_of_stop else data["client_id"]
        return {
            "client_id": number,
            "order_id": one.pk,
            "technician_id": form.page.technician.pk,
            "outcome": data[self.outcomes[one.pk]],
            "not_done_because": data[form.of_order(one, "because")],
            "finished_at": finished_at,
            "minutes": 0,
            "steps": self._steps_of(one),
            "step_sheet_version": one.sheet.version if one.sheet else None,
            "note": data["note"][:LONGEST_NOTE],
            "signed_by": data["signed_by"][:120],
            "signature": data["signature"],
            "offer": data["offer"][:160] if data[self.outcomes[one.pk]] == Outcome.NOT_DONE else "",
        }

    def _steps_of(self, one: OrderHere) -> list[dict]:
        steps = []
        for step in one.sheet.steps if one.sheet else ():
            done = bool(self._said(f"step__{step['code']}"))
            if not done and not applies(step, self.known):
                continue
            why = "" if done else (self._said(f"why__{step['code']}") or "")[:160]
            steps.append({"code": step["code"], "done": done, "skipped_because": why})
        return steps

    def _flush(self) -> FlushForm | None:
        volume, minutes, clear = (self._said(f"flush_{name}") for name in ("volume", "minutes", "clear"))
        has_flush = volume is not None or minutes is not None or clear
        return FlushForm(volume or 0.0, minutes or 0.0, clear == "yes") if has_flush else None

    def _performance(self) -> dict:
        return {**self._read(), "saw_fines": True} if self._said("saw_fines") else self._read()

    def _read(self, when: str = "") -> dict[str, float]:
        read = {name: self._said(when + name) for name in GAUGES}
        return {name: value for name, value in read.items() if value is not None}
