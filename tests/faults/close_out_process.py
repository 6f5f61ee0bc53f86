"""A process that closes an order out and stands still just before the end, to be killed there."""

import os
import sys
import time
import uuid

import django


def form_of(order_id, technician_id, client_id, finished_at):
    """The form both the killed process and the one after it send."""
    from scheduling.models import WorkOrder  # noqa: PLC0415
    from scheduling.orders import steps  # noqa: PLC0415
    from scheduling.visits import checks  # noqa: PLC0415

    order = WorkOrder.objects.select_related("part__kind", "part__position").get(pk=order_id)
    return checks.CloseOutForm(
        client_id=uuid.UUID(client_id),
        order_id=order.pk,
        technician_id=technician_id,
        outcome="done",
        finished_at=finished_at,
        minutes=30,
        steps=steps.all_done(order.kind),
        part_changes=[
            checks.PartChange(
                position_code=order.part.position.code, removal_reason="worn",
                kind_code=order.part.kind.code, lot="NEW-9",
            )
        ],
        flush=checks.FlushForm(volume_gal=25, minutes=20, ran_clear=True),
    )  # fmt: skip


def main():
    """Begin the close-out, say when everything but the last line is written, then wait for the end."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shared.config.settings")
    django.setup()
    from scheduling.visits import close_out as close_outs  # noqa: PLC0415
    from tests.factories import NOW  # noqa: PLC0415

    def stand_still(*args, **kwargs):
        print("everything is written but not committed", flush=True)
        time.sleep(120)

    close_outs._close_order = stand_still
    order_id, technician_id, client_id = sys.argv[1:]
    form = form_of(int(order_id), int(technician_id), client_id, NOW)
    close_outs.close_out(form, by=None, now=NOW)


if __name__ == "__main__":
    main()
