"""Changes what is known of a site or a treatment unit: where it is, how to get in, whether it works."""

from django.core.exceptions import ValidationError
from django.db import transaction

from fleet.models import Site, TreatmentUnit
from shared.errors import DomainError
from shared.messages import message

SITE_DETAILS = ("name", "address", "area", "latitude", "longitude", "access_note", "kind", "is_closed")
UNIT_DETAILS = ("label", "idle_limit_days", "is_out_of_service", "out_of_service_reason", "note")


def change_site(site: Site, **details: object) -> Site:
    """Change some of SITE_DETAILS. Raises DomainError for what no site can have."""
    return _change(site, SITE_DETAILS, details)


def change_treatment_unit(unit: TreatmentUnit, **details: object) -> TreatmentUnit:
    """Change some of UNIT_DETAILS. Raises DomainError for what no treatment unit can have."""
    if details.get("is_out_of_service") and not (
        details.get("out_of_service_reason") or unit.out_of_service_reason
    ):
        raise DomainError(
            message("{unit} can't go out of service without a reason.", unit=unit),
            remedy=message("Say why in a few words."),
            field="out_of_service_reason",
        )
    return _change(unit, UNIT_DETAILS, details)


@transaction.atomic
def _change(row: Site | TreatmentUnit, known: tuple[str, ...], details: dict[str, object]):
    if unknown := sorted(set(details) - set(known)):
        raise DomainError(
            message("{unknown} can't be changed here.", unknown=unknown[0]),
            remedy=message("Change one of: {list}.", list=", ".join(known)),
        )
    for name, value in details.items():
        setattr(row, name, value)
    try:
        row.full_clean()
    except ValidationError as error:
        name, words = next(iter(error.message_dict.items()))
        raise DomainError(words[0], remedy=message("Correct this value."), field=name) from error
    row.save(update_fields=sorted(details))
    return row
