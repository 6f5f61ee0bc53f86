"""Addresses of the owner's further pages."""

from django.urls import path

from scheduling.billing import invoice_views, outlook_views, plan_views, views
from scheduling.contracts import views as contracts_views

urlpatterns = [
    path("bridge/", views.owner_bridge, name="owner_bridge"),
    path("bridge/rows.<str:form>", views.owner_bridge, name="owner_bridge_file"),
    path("margins/", outlook_views.owner_margin, name="owner_margin"),
    path("margins/rows.<str:form>", outlook_views.owner_margin, name="owner_margin_file"),
    path("margins/<path:code>/", outlook_views.site_costs, name="site_costs"),
    path("risk/", views.owner_risk, name="owner_risk"),
    path("risk/rows.<str:form>", views.owner_risk, name="owner_risk_file"),
    path("forecast/", outlook_views.owner_forecast, name="owner_forecast"),
    path("forecast/rows.<str:form>", outlook_views.owner_forecast, name="owner_forecast_file"),
    path("forecast/<path:code>/", outlook_views.parts_ahead, name="parts_ahead"),
    path("plans/new/<path:code>/", plan_views.new_plan, name="new_plan"),
    path("price-changes/", plan_views.price_changes, name="price_changes"),
    path("price-changes/<int:pk>/back/", plan_views.undo_price_change, name="undo_price_change"),
    path("plans/<path:code>/price/", contracts_views.set_plan_price, name="set_plan_price"),
    path("plans/<path:code>/periods/end/", contracts_views.end_plan_period, name="end_plan_period"),
    path("plans/<path:code>/end/", plan_views.end_plan, name="end_plan"),
    path("plans/<path:code>/goes-on/", plan_views.undo_plan_end, name="undo_plan_end"),
    path("plans/<path:code>/periods/", contracts_views.add_plan_period, name="add_plan_period"),
    path(
        "plans/<path:code>/terms/<int:pk>/back/",
        contracts_views.take_back_plan_terms,
        name="take_back_plan_terms",
    ),
    path("plans/<path:code>/terms/", contracts_views.set_plan_terms, name="set_plan_terms"),
    path("plans/<path:code>/", contracts_views.owner_plan, name="owner_plan"),
    path("invoices/", invoice_views.invoices, name="invoices"),
    path("invoices/end-month/", invoice_views.end_of_month, name="end_of_month"),
    path("invoices/paid/", invoice_views.read_paid_file, name="read_paid_file"),
    path("invoices/paid/<int:pk>/back/", invoice_views.take_back_paid_file, name="take_back_paid_file"),
    path("taxes/", invoice_views.tax_rates, name="tax_rates"),
    path("taxes/new/", invoice_views.add_tax_rate, name="add_tax_rate"),
    path("taxes/<int:pk>/back/", invoice_views.take_back_tax_rate, name="take_back_tax_rate"),
    path("invoices/<int:pk>.csv", invoice_views.invoice_batch_file, name="invoice_batch_file"),
]
