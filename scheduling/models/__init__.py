"""The public list of scheduling's tables."""

from scheduling.models.billing import (
    InvoiceBatch,
    InvoiceLine,
    PaidFile,
    PaidLine,
    PeriodKind,
    PlanPeriod,
    TaxRate,
)
from scheduling.models.close_outs import CloseOut, CloseOutPart, CloseOutPhoto, Outcome
from scheduling.models.feeds import CalendarFeed
from scheduling.models.long_jobs import JobKind, JobState, LongJob
from scheduling.models.notices import Notice, NoticeKind, NoticeState, ToldVisit, VisitState
from scheduling.models.paces import AcceptedPace
from scheduling.models.plan_changes import PlanRevision, Replan
from scheduling.models.plan_settings import PlanPriceList, TravelCorrection
from scheduling.models.plans import PlanInterval, PlanPrice, PlanTerms, ServicePlan
from scheduling.models.revenue import ClosedMonth, EntryKind, RevenueEntry
from scheduling.models.routes import (
    ProposalState,
    Route,
    RouteProposal,
    Stop,
    StopOrder,
    TravelLeg,
    UnplacedOrder,
)
from scheduling.models.saved_views import SavedView, ViewOf
from scheduling.models.stock import StockLevel, StockMovement, StockPlace
from scheduling.models.technicians import Absence, AccessHours, Shift, Skill, Technician
from scheduling.models.work_orders import (
    RAISED_KINDS,
    STANDING_STATES,
    OrderKind,
    OrderState,
    StepSheet,
    WorkOrder,
    WorkOrderEvent,
    WorkOrderPart,
)

__all__ = [
    "RAISED_KINDS",
    "STANDING_STATES",
    "Absence",
    "AcceptedPace",
    "AccessHours",
    "CalendarFeed",
    "CloseOut",
    "CloseOutPart",
    "CloseOutPhoto",
    "ClosedMonth",
    "EntryKind",
    "InvoiceBatch",
    "InvoiceLine",
    "JobKind",
    "JobState",
    "LongJob",
    "Notice",
    "NoticeKind",
    "NoticeState",
    "OrderKind",
    "OrderState",
    "Outcome",
    "PaidFile",
    "PaidLine",
    "PeriodKind",
    "PlanInterval",
    "PlanPeriod",
    "PlanPrice",
    "PlanPriceList",
    "PlanRevision",
    "PlanTerms",
    "ProposalState",
    "Replan",
    "RevenueEntry",
    "Route",
    "RouteProposal",
    "SavedView",
    "ServicePlan",
    "Shift",
    "Skill",
    "StepSheet",
    "StockLevel",
    "StockMovement",
    "StockPlace",
    "Stop",
    "StopOrder",
    "TaxRate",
    "Technician",
    "ToldVisit",
    "TravelCorrection",
    "TravelLeg",
    "UnplacedOrder",
    "ViewOf",
    "VisitState",
    "WorkOrder",
    "WorkOrderEvent",
    "WorkOrderPart",
]
