"""Addresses of the register: customers, sites, treatment units, supplies, the catalogue."""

from django.urls import path

from scheduling.register import catalogue_views, unit_views, views, walk_views

urlpatterns = [
    path("customers/", views.customer_list, name="customers"),
    path("customers/add/", views.add_customer, name="add_customer"),
    path("customers/new/", walk_views.new_customer, name="new_customer"),
    path("customers/new/keep/", walk_views.keep_new_customer, name="keep_new_customer"),
    path("customers/<path:code>/change/", views.change_customer, name="change_customer"),
    path("customers/<path:code>/merge/", views.merge_customers, name="merge_customers"),
    path("customers/<path:code>/sites/add/", views.add_site, name="add_site"),
    path("customers/<path:code>/", views.customer_page, name="customer_page"),
    path("sites/<path:code>/change/", views.change_site, name="change_site"),
    path("sites/<path:code>/close/", views.close_site, name="close_site"),
    path("sites/<path:code>/reopen/", views.reopen_site, name="reopen_site"),
    path("sites/<path:code>/take-over/", views.take_over_site, name="take_over_site"),
    path("sites/<path:code>/units/add/", unit_views.add_unit, name="add_unit"),
    path("units/<path:serial>/change/", unit_views.change_unit, name="change_unit"),
    path("units/<path:serial>/commission/", unit_views.commission_unit, name="commission_unit"),
    path("units/<path:serial>/retire/", unit_views.retire_unit, name="retire_unit"),
    path("units/<path:serial>/not-retired/", unit_views.take_retirement_back, name="take_retirement_back"),
    path("units/<path:serial>/swap/", unit_views.swap_unit, name="swap_unit"),
    path("units/<path:serial>/move/", unit_views.move_unit, name="move_unit"),
    path("units/<path:serial>/model/", unit_views.model_from_unit, name="model_from_unit"),
    path("units/<path:serial>/positions/<slug:position>/", unit_views.change_part, name="change_part"),
    path("supplies/", views.supply_list, name="supplies"),
    path("supplies/add/", views.add_supply, name="add_supply"),
    path("supplies/<path:code>/", views.change_supply, name="change_supply"),
    path("catalogue/", catalogue_views.catalogue_page, name="catalogue"),
    path("catalogue/example/", catalogue_views.add_examples, name="add_examples"),
    path("catalogue/kinds/add/", catalogue_views.add_part_kind, name="add_part_kind"),
    path("catalogue/kinds/<path:code>/", catalogue_views.change_part_kind, name="change_part_kind"),
    path("catalogue/models/add/", catalogue_views.add_unit_model, name="add_unit_model"),
    path("catalogue/models/<path:code>/", catalogue_views.change_unit_model, name="change_unit_model"),
]
