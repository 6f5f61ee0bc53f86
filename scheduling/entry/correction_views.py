"""Correct this: the new value and why, what follows, and then it is kept. Nothing is edited."""

from decimal import Decimal

from django import forms
from django.contrib import messages
from django.db.models import Q, Sum
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.translation import gettext, gettext_lazy
from django.views.decorators.http import require_http_methods

from fleet.corrections.corrections import KINDS, Act, correct, units_touched
from fleet.corrections.selectors import attach_corrections
from fleet.models import Corrected
from scheduling.billing import revenue
from scheduling.entry.consequences import Consequence, foresee
from scheduling.entry.correcting import ABOUT, LABELS, CorrectionForm
from scheduling.models import RevenueEntry
from scheduling.orders.again import look_again
from scheduling.pages.request_context import branch_of, now_and_today
from shared.access import requires
from shared.errors import DomainError
from shared.roles import Permission, may
from shared.translation import translate


@requires(Permission.EDIT_FLEET)
@require_http_methods(["GET", "POST"])
def correct_this(request: HttpRequest, of: str, pk: int) -> HttpResponse:
    """Show what was recorded; tell what follows from other values; keep them."""
    row = _row(request, of, pk)
    now, _ = now_and_today(request)
    site = row.site if of == Corrected.FEED_TEST else row.treatment_unit.site
    with timezone.override(site.time_zone if site else None):
        form = CorrectionForm(of, row, request.user.measure_system, request.POST or None)
        foreseen = None
        if form.is_bound and form.is_valid():
            act = Act(form.cleaned_data["reason"], request.user, now)
            values, version = form.corrected(), form.cleaned_data["version"]
            units = units_touched(of, row)
            try:
                if request.POST.get("do") == "keep":
                    correct(of, row.pk, values, act=act, version=version)
                    look_again(units, now, anew=True)
                    messages.success(request, gettext("Corrected. What was there before stays on record."))
                    return redirect(_home(row, site))
                foreseen = foresee(
                    lambda: correct(of, row.pk, values, act=act, version=version), units, now=now,
                    system=request.user.measure_system,
                    with_money=may(request.user.role, Permission.SEE_REVENUE),
                )  # fmt: skip
            except DomainError as error:
                form.add_error(error.field if error.field in form.fields else None, translate(error))
        attach_corrections({of: [row]})
        context = {
            "form": form, "row": row, "of": of, "title": Corrected(of).label, "about": KINDS[of].about(row),
            "lead": ABOUT[of], "site": site, "foreseen": foreseen, "home": _home(row, site), "labels": LABELS,
            "unit": getattr(row, "treatment_unit", None),
        }  # fmt: skip
        return render(request, "entry/correct.html", context, status=422 if form.errors else 200)


def _row(request: HttpRequest, of: str, pk: int):
    if of not in KINDS:
        raise Http404
    rows = KINDS[of].model.objects.select_related(*KINDS[of].related)
    branch_id = branch_of(request)
    if branch_id and of == Corrected.FEED_TEST:
        rows = rows.filter(Q(site__branch_id=branch_id) | Q(supply__site__branch_id=branch_id)).distinct()
    elif branch_id:
        rows = rows.filter(treatment_unit__site__branch_id=branch_id)
    if of != Corrected.FEED_TEST:
        rows = rows.select_related("treatment_unit__site")
    return get_object_or_404(rows, pk=pk)


def _home(row, site):
    unit = getattr(row, "treatment_unit", None)
    if unit:
        return reverse("treatment_unit", args=[unit.serial])
    return reverse("site_page", args=[site.code]) if site else reverse("fleet_list")


class MoneyForm(forms.Form):
    """What an entry is to come to, and why."""

    to_amount = forms.DecimalField(
        label=gettext_lazy("It should come to"), max_digits=12, decimal_places=2, localize=True
    )
    because = forms.CharField(label=gettext_lazy("Why it is corrected"), max_length=120)


@requires(Permission.CORRECT_MONEY)
@require_http_methods(["GET", "POST"])
def correct_money(request: HttpRequest, pk: int) -> HttpResponse:
    """Correct a revenue entry by another that names it; what follows is told before."""
    entries = RevenueEntry.objects.select_related("site", "treatment_unit", "plan", "corrects")
    if branch_id := branch_of(request):
        entries = entries.filter(site__branch_id=branch_id)
    entry = get_object_or_404(entries, pk=pk)
    # A correction is corrected through the entry it names.
    entry = entry.corrects or entry
    now, _ = now_and_today(request)
    form = MoneyForm(request.POST or None, initial={"to_amount": _stands(entry)})
    foreseen = None
    if form.is_bound and form.is_valid():
        given = form.cleaned_data

        def act() -> None:
            revenue.correct(
                entry, to_amount=given["to_amount"], because=given["because"], by=request.user, now=now
            )

        try:
            if request.POST.get("do") == "keep":
                act()
                messages.success(request, gettext("Corrected. What was there before stays on record."))
                return redirect("revenue_entries")
            before = _sums(entry)
            foreseen = _foresee_money(entry, act, before, now)
        except DomainError as error:
            form.add_error(error.field if error.field in form.fields else None, translate(error))
    context = {
        "form": form, "entry": entry, "stands": _stands(entry), "foreseen": foreseen,
        "corrections": entry.corrections.select_related("entered_by").order_by("pk"),
    }  # fmt: skip
    return render(request, "entry/correct_money.html", context, status=422 if form.errors else 200)


def _stands(entry: RevenueEntry) -> Decimal:
    corrected = entry.corrections.aggregate(sum=Sum("amount"))["sum"] or Decimal(0)
    return (entry.amount + corrected).quantize(Decimal("0.01"))


def _sums(entry: RevenueEntry) -> dict[str, str]:
    site = RevenueEntry.objects.filter(site=entry.site)
    by_month = site.values("month").annotate(sum=Sum("amount")).order_by("month")
    told = {gettext("This entry"): f"{_stands(entry):,.2f}"}
    for row in by_month:
        told[
            gettext("Earned at %(site)s in %(month)s")
            % {"site": entry.site.name, "month": f"{row['month']:%Y-%m}"}
        ] = f"{row['sum']:,.2f}"
    return told


def _foresee_money(entry, act, before, now):
    after: dict[str, str] = {}

    def look() -> None:
        act()
        after.update(_sums(entry))

    foreseen = foresee(look, [], now=now, system="us", with_money=False)
    foreseen.changes.extend(
        Consequence(what, before.get(what, ""), after.get(what, ""))
        for what in dict.fromkeys([*before, *after])
        if before.get(what, "") != after.get(what, "")
    )
    return foreseen
