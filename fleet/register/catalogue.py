"""The catalogue: part kinds that can be bought and models of treatment units, changed by hand or from a unit.

``add_examples`` brings an invented catalogue for those who begin with none.
"""

from collections.abc import Mapping, Sequence
from typing import Any

from django.db import transaction

from fleet.models import AuditArea, Part, PartKind, PartRole, TreatmentUnit, UnitModel, UnitModelPosition
from fleet.people.audit import Actor
from fleet.register import rows
from fleet.register.examples import EXAMPLE_KINDS, EXAMPLE_MODELS
from fleet.register.units import DESIGN
from shared.errors import DomainError
from shared.messages import message

KIND_DETAILS = (
    "name", "role", "membrane_type", "rated_gal", "rated_months", "shelf_life_months", "rating_chlorine_mg_l",
    "chloramine_factor", "bed_volume_ft3", "rated_flow_gpm", "terminal_drop_psi", "rated_hardness_mg_l",
    "hardness_capacity_grains", "oxidant_tolerance_mg_h_l", "rated_permeate_gal_per_day",
    "temperature_k_below_25", "temperature_k_from_25", "needs_flush", "flush_gal", "flush_gpm",
    "change_minutes", "cost", "price",
)  # fmt: skip
MODEL_DETAILS = ("name", *DESIGN)


@transaction.atomic
def add_part_kind(*, code: str, actor: Actor, **details: Any) -> PartKind:
    """Add a line of the catalogue, of KIND_DETAILS. Raises DomainError for a code that looks like another."""
    rows.refuse_look_alike(PartKind, code.strip(), what=message("part kind"))
    made = PartKind(code=code.strip(), **details)
    return rows.add(made, what=message("part kind added"), actor=actor, detail=made.name)


@transaction.atomic
def change_part_kind(
    kind: PartKind, *, actor: Actor, seen: Mapping[str, Any] | None = None, **details: Any
) -> PartKind:
    """Change some of KIND_DETAILS. Raises Overtaken, or DomainError for what no kind can have or become."""
    role = details.get("role", kind.role)
    if role != kind.role and PartRole.MEMBRANE in (role, kind.role):
        raise DomainError(
            message("A kind can't become a membrane or cease to be one."),
            remedy=message("Give the new kind a code of its own."),
            field="role",
        )
    what = message("part kind changed")
    return rows.change(kind, details, known=KIND_DETAILS, what=what, actor=actor, seen=seen)


@transaction.atomic
def add_unit_model(
    *, code: str, positions: Sequence[Mapping[str, Any]], actor: Actor, **details: Any
) -> UnitModel:
    """Add a model with its positions along the water; each has ``code``, ``water`` and ``usual_kind``.

    Raises DomainError for a code that looks like another's, or no position.
    """
    rows.refuse_look_alike(UnitModel, code.strip(), what=message("unit model"))
    made = UnitModel(code=code.strip(), **details)
    rows.add(made, what=message("unit model added"), actor=actor, detail=made.name)
    _set_positions(made, positions)
    return made


@transaction.atomic
def change_unit_model(
    model: UnitModel,
    *,
    actor: Actor,
    positions: Sequence[Mapping[str, Any]] | None = None,
    seen: Mapping[str, Any] | None = None,
    **details: Any,
) -> UnitModel:
    """Change some of MODEL_DETAILS and, if given, all positions. Units made from it stay as they are."""
    what = message("unit model changed")
    model = rows.change(model, details, known=MODEL_DETAILS, what=what, actor=actor, seen=seen)
    if positions is not None:
        before = told_positions(model)
        _set_positions(model, positions)
        if before != told_positions(model):
            told = f"{before} → {told_positions(model)}"
            actor.note(what, area=AuditArea.FLEET, about=model.code, detail=told)
    return model


@transaction.atomic
def model_from_unit(unit: TreatmentUnit, *, code: str, name: str, actor: Actor) -> UnitModel:
    """Add a model that is like a unit: its design figures, its positions and the kinds in place."""
    kinds = {
        part.position_id: part.kind
        for part in Part.objects.in_place().filter(treatment_unit=unit).select_related("kind")
    }
    positions = [
        {"code": one.code, "water": one.water, "usual_kind": kinds.get(one.pk)}
        for one in unit.positions.all()
    ]
    design = {field: getattr(unit, field) for field in DESIGN}
    return add_unit_model(code=code, name=name, positions=positions, actor=actor, **design)


@transaction.atomic
def add_examples(*, actor: Actor) -> int:
    """Add the invented kinds and models that are not there yet. Returns how many were added."""
    known = set(PartKind.objects.values_list("code", flat=True))
    missing = [PartKind(**given) for given in EXAMPLE_KINDS if given["code"] not in known]
    PartKind.objects.bulk_create(missing)
    kinds = {
        kind.code: kind for kind in PartKind.objects.filter(code__in=[one["code"] for one in EXAMPLE_KINDS])
    }
    added = len(missing)
    for given in EXAMPLE_MODELS:
        if not UnitModel.objects.filter(code=given["code"]).exists():
            model = UnitModel.objects.create(
                **{name: given[name] for name in ("code", *MODEL_DETAILS) if name in given}
            )
            places = [
                {"code": code, "water": water, "usual_kind": kinds[kind]}
                for code, water, kind in given["positions"]
            ]
            _set_positions(model, places)
            added += 1
    if added:
        actor.note(message("example catalogue added"), area=AuditArea.FLEET, about="", detail=f"{added}")
    return added


def told_positions(model: UnitModel) -> str:
    """Return a model's positions along the water as the trail names them."""
    found = model.positions.select_related("usual_kind").order_by("order")
    return ", ".join(f"{one.code} {one.usual_kind.code if one.usual_kind else '–'}" for one in found)


def _set_positions(model: UnitModel, positions: Sequence[Mapping[str, Any]]) -> None:
    codes = [str(one["code"]) for one in positions]
    if not codes or len(set(codes)) < len(codes):
        raise DomainError(
            message("A model needs at least one position, each under a name of its own."),
            remedy=message("Fill in the positions along the water, e.g. sediment, carbon, membrane."),
            field="positions",
        )
    model.positions.all().delete()
    for number, one in enumerate(positions, start=1):
        made = UnitModelPosition(unit_model=model, order=number, **one)
        rows.check(made)
        made.save()
