"""What a customer is told about a treatment unit: when its parts were changed, why, and what was read."""

from datetime import datetime
from typing import Final
from zoneinfo import ZoneInfo

from django.utils.translation import gettext

from fleet.models import Part, TreatmentUnit
from scheduling.documents.answer import Answer, ToldVisit
from scheduling.documents.paper import ServiceReport, day
from scheduling.models import CloseOut, CloseOutPart, Outcome
from scheduling.visits.documents import service_report
from shared.periods import local_day
from shared.translation import translate

VISITS: Final = 3
"""So many of the last visits are told."""


def answer_for(unit: TreatmentUnit, *, company: str, system: str, now: datetime) -> Answer:
    """Return the answer, in the reader's language and measures. Nothing about money."""
    visits = (
        CloseOut.objects.filter(order__treatment_unit=unit, undone_at=None)
        .exclude(outcome=Outcome.NOT_DONE)
        .select_related("order__treatment_unit__site__customer", "order__treatment_unit__state", "technician",
                        "flush", "follow_up")
        .order_by("-finished_at")[:VISITS]
    )  # fmt: skip
    zone = ZoneInfo(unit.site.time_zone)
    return Answer(
        company=company,
        customer=unit.site.customer.name,
        address=[text for text in (unit.site.name, unit.site.address) if text],
        title=gettext("Your water treatment unit %(serial)s") % {"serial": unit.serial},
        made_at=now.astimezone(zone),
        last_changes=_last_changes(unit),
        visits=[_told(service_report(visit, company=company, system=system)) for visit in visits],
    )


def _last_changes(unit: TreatmentUnit) -> list[str]:
    """Return a sentence for each position: since when, why the one before came out, when next."""
    parts = Part.objects.filter(treatment_unit=unit).select_related("kind", "position", "state")
    here = [part for part in parts.order_by("position__order") if part.removed_at is None]
    before = {
        part.position_id: part for part in parts.filter(removed_at__isnull=False).order_by("removed_at")
    }
    because = {
        change.removed_id: change.close_out.order.why
        for change in CloseOutPart.objects.filter(
            removed__in=[part.pk for part in before.values()]
        ).select_related("close_out__order")
    }
    zone, told = unit.site.time_zone, []
    for part in here:
        names = {"part": part.kind.name, "on": day(local_day(part.installed_at, zone))}
        sentence = gettext("%(part)s: last changed on %(on)s.") % names
        old = before.get(part.position_id)
        if old is None:
            sentence = gettext("%(part)s: in place since %(on)s.") % names
        else:
            reason = str(old.get_removal_reason_display()).lower()
            sentence += " " + gettext("The one before was taken out for this reason: %(reason)s.") % {
                "reason": reason
            }
            if why := because.get(old.pk):
                sentence += " " + str(translate(why))
        state = getattr(part, "state", None)
        if state is not None and state.likely_on:
            sentence += " " + gettext("It is expected to be due about %(on)s.") % {"on": day(state.likely_on)}
        told.append(sentence)
    return told


def _told(report: ServiceReport) -> ToldVisit:
    sentences = [
        gettext("%(technician)s was with you for %(minutes)s minutes. Why: %(why)s")
        % {"technician": report.technician, "minutes": report.minutes, "why": translate(report.why)}
    ]
    for out in report.parts_out:
        sentences.append(
            gettext("Taken out of %(position)s: %(part)s (%(reason)s).")
            % {"position": out.position, "part": out.name, "reason": out.reason.lower() or "–"}
        )
    for new in report.parts_in:
        sentences.append(
            gettext("Put into %(position)s: %(part)s.") % {"position": new.position, "part": new.name}
        )
    for flush in report.flushes:
        end = gettext("until the water ran clear") if flush.ran_clear else gettext("not yet clear")
        sentences.append(
            gettext("Flushed: %(volume)s in %(minutes)s, %(end)s.")
            % {"volume": flush.volume, "minutes": flush.minutes, "end": end}
        )
    heading = gettext("Visit of %(on)s: %(kind)s") % {"on": day(report.finished_at), "kind": report.kind_word}
    readings = [(str(one.label), one.before, one.after) for one in report.readings]
    return ToldVisit(heading, sentences, readings)
