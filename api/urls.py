"""Addresses of this room: a line for each kind of row, with its ViewSet."""

from django.http import Http404
from django.urls import path, re_path
from drf_spectacular.utils import extend_schema
from drf_spectacular.views import SpectacularJSONAPIView
from rest_framework.request import Request
from rest_framework.response import Response
from rest_framework.routers import SimpleRouter
from rest_framework.views import APIView

from api import pages
from api.assessment import FindingViewSet, PartStateViewSet
from api.billing import RevenueEntryViewSet
from api.catalogue import PartKindViewSet, SupplyViewSet, UnitModelViewSet
from api.contracts import PlanViewSet
from api.corrections import CorrectionViewSet
from api.customers import CustomerViewSet
from api.orders import WorkOrderViewSet
from api.parts import MeterViewSet, PartViewSet
from api.readings import FeedTestViewSet, MeterReadingViewSet, PerformanceReadingViewSet
from api.routes import RouteViewSet, TechnicianViewSet
from api.sites import SiteViewSet
from api.treatment_units import TreatmentUnitViewSet
from api.visits import CloseOutViewSet


@extend_schema(exclude=True)
class NothingHere(APIView):
    """Whatever nobody answers to under /api/, said as problem details."""

    authentication_classes: list = []
    permission_classes: list = []
    throttle_classes: list = []
    schema = None

    def http_method_not_allowed(self, request: Request, *args, **kwargs) -> Response:
        """Refuse every method alike."""
        raise Http404

    options = http_method_not_allowed


router = SimpleRouter(trailing_slash=False, use_regex_path=False)
router.register("customers", CustomerViewSet, "customers")
router.register("sites", SiteViewSet, "sites")
router.register("treatment-units", TreatmentUnitViewSet, "treatment-units")
router.register("supplies", SupplyViewSet, "supplies")
router.register("part-kinds", PartKindViewSet, "part-kinds")
router.register("unit-models", UnitModelViewSet, "unit-models")
router.register("parts", PartViewSet, "parts")
router.register("part-states", PartStateViewSet, "part-states")
router.register("findings", FindingViewSet, "findings")
router.register("meters", MeterViewSet, "meters")
router.register("meter-readings", MeterReadingViewSet, "meter-readings")
router.register("performance-readings", PerformanceReadingViewSet, "performance-readings")
router.register("feed-tests", FeedTestViewSet, "feed-tests")
router.register("corrections", CorrectionViewSet, "corrections")
router.register("work-orders", WorkOrderViewSet, "work-orders")
router.register("routes", RouteViewSet, "routes")
router.register("close-outs", CloseOutViewSet, "close-outs")
router.register("technicians", TechnicianViewSet, "technicians")
router.register("plans", PlanViewSet, "plans")
router.register("revenue-entries", RevenueEntryViewSet, "revenue-entries")

urlpatterns = [
    *router.urls,
    path("schema", SpectacularJSONAPIView.as_view(), name="api_schema"),
    path("docs/", pages.api_docs, name="api_docs"),
    path("docs/python/", pages.api_with_python, name="api_with_python"),
    path("own-tokens/", pages.my_tokens, name="own_tokens"),
    path("own-tokens/<int:pk>/revoke/", pages.revoke_own_token, name="revoke_own_token"),
    re_path(r"", NothingHere.as_view(), name="api_nothing_here"),
]
