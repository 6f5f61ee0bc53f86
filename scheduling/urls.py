"""Addresses of this room."""

from django.urls import include, path

from scheduling.billing import views as billing_views
from scheduling.customers import views as customers_views
from scheduling.entry import correction_views, history_views
from scheduling.operations import import_views, mapping_views
from scheduling.operations import views as operations_views
from scheduling.orders import step_views
from scheduling.orders import views as orders_views
from scheduling.overview import place_views, search_views, unit_views
from scheduling.overview import views as overview_views
from scheduling.pages import home, saved_views
from scheduling.routes import views
from scheduling.stock import views as stock_views
from scheduling.visits import document_views
from scheduling.visits import views as visits_views
from scheduling.visits.place_views import place_of_own_stop

_ONE = "personal-data/<slug:kind>/<path:code>/"

urlpatterns = [
    path("", home.home, name="home"),
    path("own/stops/<int:pk>/place/", place_of_own_stop, name="place_of_own_stop"),
    path("places/", place_views.places, name="places"),
    path("places/<path:code>/", place_views.place_of_site, name="place_of_site"),
    path("search/", search_views.search_page, name="search"),
    path("overview/", overview_views.planner_overview, name="planner_overview"),
    path("day-board/", overview_views.day_board, name="day_board"),
    path("overview/up-to-date/", operations_views.bring_up_to_date_now, name="bring_up_to_date"),
    path("fleet/", overview_views.fleet_list, name="fleet_list"),
    path("fleet/rows.<str:form>", overview_views.fleet_list, name="fleet_file"),
    path("fleet/with-chosen/", orders_views.with_chosen_units, name="with_chosen_units"),
    path("fleet/map/", overview_views.site_map, name="site_map"),
    path("fleet/map/sites.<str:form>", overview_views.site_map_file, name="site_map_file"),
    path("saved-views/", saved_views.save_view, name="save_view"),
    path("saved-views/<int:pk>/remove/", saved_views.remove_view, name="remove_view"),
    path("saved-views/<int:pk>/put-back/", saved_views.put_back_view, name="put_back_view"),
    path("", include("scheduling.register.urls")),
    path("units/<path:serial>/", unit_views.treatment_unit, name="treatment_unit"),
    path("sites/<path:code>/", unit_views.site_page, name="site_page"),
    path("enter/", include("scheduling.entry.urls")),
    path("history/<slug:of>/<path:code>/", history_views.history_of, name="history_of"),
    path("answer/<path:serial>/", history_views.answer, name="answer_customer"),
    path("correct/money/<int:pk>/", correction_views.correct_money, name="correct_money"),
    path("correct/<slug:of>/<int:pk>/", correction_views.correct_this, name="correct_this"),
    path("import/", import_views.import_page, name="import_fleet"),
    path("import/template.xlsx", import_views.template_workbook, name="import_template"),
    path("import/<uuid:token>/", import_views.import_preview, name="import_preview"),
    path("import/<uuid:token>/columns/", mapping_views.import_columns, name="import_columns"),
    path("import/<uuid:token>/to-mend.xlsx", import_views.import_rest, name="import_rest"),
    path("jobs/<int:pk>/", operations_views.long_job, name="long_job"),
    path("jobs/<int:pk>/progress/", operations_views.long_job_progress, name="long_job_progress"),
    path("jobs/<int:pk>/stop/", operations_views.stop_long_job, name="stop_long_job"),
    path("work-orders/", orders_views.work_orders, name="work_orders"),
    path("work-orders/rows.<str:form>", orders_views.work_orders, name="order_file"),
    path("work-orders/for-chosen/", orders_views.raise_for_chosen, name="raise_for_chosen"),
    path("work-orders/withdraw-chosen/", orders_views.withdraw_chosen, name="withdraw_chosen"),
    path("work-orders/reopen-chosen/", orders_views.reopen_chosen, name="reopen_chosen"),
    path("work-orders/new/", orders_views.new_order, name="new_order"),
    path("work-orders/<int:pk>/", orders_views.work_order, name="work_order"),
    path("work-orders/<int:pk>/withdraw/", orders_views.withdraw_order, name="withdraw_order"),
    path("work-orders/<int:pk>/reopen/", orders_views.reopen_order, name="reopen_order"),
    path("close-outs/<int:pk>/undo/", visits_views.undo_close_out, name="undo_close_out"),
    path("close-outs/<int:pk>/report.pdf", document_views.service_report, name="service_report"),
    path("own/close-outs/<int:pk>/report.pdf", document_views.my_service_report, name="own_service_report"),
    path("own/orders/<int:pk>/report.pdf", document_views.my_order_report, name="own_order_report"),
    path("routes/<int:pk>/sheet.pdf", document_views.work_sheet, name="work_sheet"),
    path("own/routes/<int:pk>/sheet.pdf", document_views.my_work_sheet, name="own_work_sheet"),
    path("steps/", step_views.step_sheets, name="step_sheets"),
    path("steps/<slug:kind>/", step_views.step_sheet, name="step_sheet"),
    path("steps/<slug:kind>/<int:version>/", step_views.step_sheet_version, name="step_sheet_version"),
    path("stock/", stock_views.stock, name="stock"),
    path("stock/needs.<str:form>", stock_views.needs_file, name="needs_file"),
    path("stock/set-up/", stock_views.set_up, name="set_up_stock"),
    path("stock/recall/", stock_views.recall, name="recall"),
    path("stock/recall/rows.<str:form>", stock_views.recall, name="recall_file"),
    path("stock/<slug:code>/labels.pdf", document_views.part_label_file, name="part_label_file"),
    path("stock/<slug:code>/", stock_views.stock_place, name="stock_place"),
    path("notices/", customers_views.notices, name="notices"),
    path("notices/<int:pk>/", customers_views.notice, name="notice"),
    path("notices/<int:pk>/again/", customers_views.send_notice_again, name="send_notice_again"),
    path("changes/", unit_views.audit_trail, name="audit_trail"),
    path("personal-data/", operations_views.personal_data, name="personal_data"),
    path(
        "personal-data/<slug:kind>/<path:code>/file/",
        operations_views.personal_data_file,
        name="personal_data_file",
    ),
    path(
        "personal-data/<slug:kind>/<path:code>/erase/",
        operations_views.erase_personal_data,
        name="erase_personal_data",
    ),
    path(
        "personal-data/<slug:kind>/<path:code>/", operations_views.one_persons_data, name="one_persons_data"
    ),
    path("operations/", operations_views.operations_page, name="operations"),
    path("labels/", document_views.labels, name="labels"),
    path("labels/sheet.pdf", document_views.label_file, name="label_file"),
    path("u/<uuid:code>/", document_views.unit_label, name="unit_label"),
    path("", include("scheduling.routes.urls")),
    path("", include("scheduling.routes.crew_urls")),
    path("", include("scheduling.visits.urls")),
    path("", include("scheduling.operations.urls")),
    path("plans/", views.proposals, name="proposals"),
    path("plans/<int:pk>/", views.proposal, name="proposal"),
    path("plans/<int:pk>/progress/", views.proposal_progress, name="proposal_progress"),
    path("plans/<int:pk>/stop/", views.stop_proposal, name="stop_proposal"),
    path("plans/<int:pk>/publish/", views.publish_proposal, name="publish_proposal"),
    path("plans/<int:pk>/take-back/", views.take_back_proposal, name="take_back_proposal"),
    path("plans/<int:pk>/set-aside/", views.set_proposal_aside, name="set_proposal_aside"),
    path("plans/<int:pk>/routes.geojson", views.proposal_geojson, name="proposal_geojson"),
    path("routes/<int:pk>/", views.route, name="route"),
    path("routes/<int:pk>/route.geojson", views.route_geojson, name="route_geojson"),
    path("phone/day/", visits_views.day, name="day"),
    path("phone/day/<str:on>/", visits_views.day, name="day"),
    path("phone/visit/<int:pk>/", visits_views.visit, name="visit"),
    path("phone/close-out/<int:pk>/", visits_views.close_out, name="close_out"),
    path("phone/close-outs/", visits_views.send_close_outs, name="send_close_outs"),
    path("phone/sw.js", visits_views.service_worker, name="phone_worker"),
    path("phone/day.webmanifest", visits_views.manifest, name="phone_manifest"),
    path("revenue/", include("scheduling.billing.urls")),
    path("revenue/", billing_views.revenue_review, name="revenue_review"),
    path("revenue/sites.<str:form>", billing_views.revenue_review, name="revenue_file"),
    path("revenue/entries/", billing_views.revenue_entries, name="revenue_entries"),
    path("revenue/entries/rows.<str:form>", billing_views.revenue_entries, name="entries_file"),
]
