"""Addresses of the owner's further pages."""

from django.urls import path

from scheduling.views import (
    invoices,
    owner_bridge,
    owner_forecast,
    owner_margin,
    owner_plan,
    owner_risk,
    paid,
    taxes,
)

urlpatterns = [
    path("bridge/", owner_bridge.owner_bridge, name="owner_bridge"),
    path("bridge/rows.<str:form>", owner_bridge.owner_bridge_file, name="owner_bridge_file"),
    path("margins/", owner_margin.owner_margin, name="owner_margin"),
    path("margins/rows.<str:form>", owner_margin.owner_margin_file, name="owner_margin_file"),
    path("margins/<path:code>/", owner_margin.site_costs, name="site_costs"),
    path("risk/", owner_risk.owner_risk, name="owner_risk"),
    path("risk/rows.<str:form>", owner_risk.owner_risk_file, name="owner_risk_file"),
    path("forecast/", owner_forecast.owner_forecast, name="owner_forecast"),
    path("forecast/rows.<str:form>", owner_forecast.owner_forecast_file, name="owner_forecast_file"),
    path("forecast/<path:code>/", owner_forecast.parts_ahead, name="parts_ahead"),
    path("plans/<path:code>/price/", owner_plan.set_plan_price, name="set_plan_price"),
    path("plans/<path:code>/periods/end/", owner_plan.end_plan_period, name="end_plan_period"),
    path("plans/<path:code>/periods/", owner_plan.add_plan_period, name="add_plan_period"),
    path(
        "plans/<path:code>/terms/<int:pk>/back/", owner_plan.take_back_plan_terms, name="take_back_plan_terms"
    ),
    path("plans/<path:code>/terms/", owner_plan.set_plan_terms, name="set_plan_terms"),
    path("plans/<path:code>/", owner_plan.owner_plan, name="owner_plan"),
    path("invoices/", invoices.invoices, name="invoices"),
    path("invoices/end-month/", invoices.end_of_month, name="end_of_month"),
    path("invoices/paid/", paid.read_paid_file, name="read_paid_file"),
    path("invoices/paid/<int:pk>/back/", paid.take_back_paid_file, name="take_back_paid_file"),
    path("taxes/", taxes.tax_rates, name="tax_rates"),
    path("taxes/new/", taxes.add_tax_rate, name="add_tax_rate"),
    path("taxes/<int:pk>/back/", taxes.take_back_tax_rate, name="take_back_tax_rate"),
    path("invoices/<int:pk>.csv", invoices.invoice_batch_file, name="invoice_batch_file"),
]
