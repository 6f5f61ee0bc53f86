"""Documents as PDF: the service report of a close-out, the work sheet of a route."""

from django.conf import settings
from django.http import Http404, HttpRequest, HttpResponse
from django.utils import timezone
from django.utils.translation import gettext
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET

from scheduling.documents.paper import font_folder
from scheduling.documents.service_report import service_report_pdf
from scheduling.documents.work_sheet import work_sheet_pdf
from scheduling.models import CloseOut, Route
from scheduling.queries import documents as queries
from scheduling.queries.routes import RouteRow, route_rows
from scheduling.views.edge import branch_of, is_metric
from shared.access import requires
from shared.roles import Permission


def pdf_answer(content: bytes, name: str) -> HttpResponse:
    """Return a PDF that opens in the browser under a name of its own."""
    answer = HttpResponse(content, content_type="application/pdf")
    answer["Content-Disposition"] = f'inline; filename="{name}.pdf"'
    return answer


@requires(Permission.CLOSE_OWN_STOPS)
@require_GET
@never_cache
def own_service_report(request: HttpRequest, pk: int) -> HttpResponse:
    """Return the report of a close-out to the technician who did it."""
    return _report(request, pk, person_id=request.user.pk)


@requires(Permission.CLOSE_OWN_STOPS)
@require_GET
@never_cache
def own_order_report(request: HttpRequest, pk: int) -> HttpResponse:
    """Return the report of an order to the technician whose close-out of it stands."""
    found = CloseOut.objects.filter(
        order_id=pk, technician__person_id=request.user.pk, undone_at__isnull=True
    ).first()
    if found is None:
        raise Http404(gettext("You have closed no such order."))
    return _report(request, found.pk, person_id=request.user.pk)


@requires(Permission.SEE_WORK)
@require_GET
@never_cache
def service_report(request: HttpRequest, pk: int) -> HttpResponse:
    """Return the report of any close-out in the person's branch."""
    return _report(request, pk, person_id=None)


@requires(Permission.SEE_WORK)
@require_GET
@never_cache
def work_sheet(request: HttpRequest, pk: int) -> HttpResponse:
    """Return a route as a sheet for those without a phone."""
    routes = Route.objects.filter(pk=pk)
    if branch_id := branch_of(request):
        routes = routes.filter(technician__branch_id=branch_id)
    return _sheet(request, route_rows(routes))


@requires(Permission.SEE_OWN_DAY)
@require_GET
@never_cache
def own_work_sheet(request: HttpRequest, pk: int) -> HttpResponse:
    """Return the own route as a sheet; only what is published."""
    routes = Route.objects.filter(pk=pk, technician__person_id=request.user.pk, is_in_force=True)
    return _sheet(request, route_rows(routes))


def _report(request: HttpRequest, pk: int, *, person_id: int | None) -> HttpResponse:
    close_out = queries.close_out_for_report(pk, branch_id=branch_of(request), person_id=person_id)
    if close_out is None:
        raise Http404(gettext("There is no such close-out for you."))
    report = queries.service_report(
        close_out, company=settings.COMPANY_NAME, system=request.user.measure_system
    )
    content = service_report_pdf(
        report, is_metric=is_metric(request), made_at=queries.made_moment(close_out), fonts=font_folder()
    )
    return pdf_answer(content, f"service-report-{report.number}-{pk}")


def _sheet(request: HttpRequest, routes: list[RouteRow]) -> HttpResponse:
    if not routes:
        raise Http404(gettext("There is no such route for you."))
    sheet = queries.work_sheet(routes[0], company=settings.COMPANY_NAME, system=request.user.measure_system)
    content = work_sheet_pdf(sheet, is_metric=is_metric(request), made_at=timezone.now(), fonts=font_folder())
    return pdf_answer(content, f"work-sheet-{routes[0].day}-{routes[0].pk}")
