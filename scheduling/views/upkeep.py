"""A planner's nudge: have the fleet assessed and work raised now."""

from django.conf import settings
from django.contrib import messages
from django.shortcuts import redirect
from django.utils import timezone
from django.views.decorators.http import require_POST

from scheduling.services.upkeep import bring_up_to_date
from scheduling.tasks import nudge_upkeep
from shared.access import requires
from shared.roles import Permission


@requires(Permission.RUN_ASSESSMENT)
@require_POST
def bring_up_to_date_now(request):
    """Send the work to the queue where there is one; else do it here and say what came of it."""
    if settings.REDIS_URL:
        nudge_upkeep.delay_on_commit()
        messages.info(request, "The fleet is being assessed. Look again in a minute.")
        return redirect("planner_overview")
    done = bring_up_to_date(now=timezone.now(), zone=settings.TIME_ZONE, shard_size=settings.SHARD_SIZE)
    counts = done.run.counts
    messages.success(
        request,
        f"Assessed {counts.get('units', 0)} treatment units: {counts.get('found', 0)} new findings, "
        f"{counts.get('gone', 0)} gone; {done.raised.raised_total} work orders raised, "
        f"{done.raised.withdrawn} withdrawn.",
    )
    return redirect("planner_overview")
