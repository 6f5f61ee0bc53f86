"""The recall list: one lot, every site it reached."""

from typing import Final

from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import render
from django.views.decorators.http import require_GET

from scheduling.queries import recall as queries
from scheduling.views.downloads import Column, table_file
from scheduling.views.edge import branch_of
from shared.access import requires
from shared.roles import Permission

COLUMNS: Final = [
    Column("Lot", lambda row: row.lot),
    Column("Part", lambda row: row.kind),
    Column("Part code", lambda row: row.kind_code),
    Column("Part serial", lambda row: row.part_serial),
    Column("In place", lambda row: row.is_in_place),
    Column("Installed", lambda row: row.installed_at),
    Column("Removed", lambda row: row.removed_at),
    Column("Treatment unit", lambda row: row.unit_serial),
    Column("Where", lambda row: row.unit_label),
    Column("Position", lambda row: row.position),
    Column("Site", lambda row: row.site),
    Column("Site code", lambda row: row.site_code),
    Column("Address", lambda row: row.address),
    Column("Getting in", lambda row: row.access_note),
    Column("Customer", lambda row: row.customer),
    Column("Phone", lambda row: row.phone),
    Column("E-mail", lambda row: row.email),
]


@requires(Permission.SEE_FLEET)
@require_GET
def recall(request: HttpRequest) -> HttpResponse:
    """Show every part of a lot with whom to tell."""
    lot, kind = _asked(request)
    branch_id = branch_of(request)
    rows = queries.recall_rows(lot, kind, branch_id)
    context = {
        "lot": lot,
        "kind": kind,
        "rows": rows,
        "in_place": sum(row.is_in_place for row in rows),
        "sites": len({row.site_code for row in rows if row.is_in_place}),
        "kinds": sorted({(row.kind_code, row.kind) for row in rows}),
        "stock": queries.recall_stock(lot, kind, branch_id) if lot else [],
        "lots": [] if lot else queries.lots_in_place(branch_id),
        "query": request.GET.urlencode(),
    }
    return render(request, "scheduling/recall.html", context)


@requires(Permission.SEE_FLEET)
@require_GET
def recall_file(request: HttpRequest, form: str) -> HttpResponseBase:
    """Return the recall list as CSV or XLSX."""
    lot, kind = _asked(request)
    return table_file("recall", form, COLUMNS, queries.recall_rows(lot, kind, branch_of(request)))


def _asked(request: HttpRequest) -> tuple[str, str]:
    return request.GET.get("lot", "").strip()[:60], request.GET.get("kind", "").strip()[:40]
