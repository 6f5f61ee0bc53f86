"""A planner's nudge: have the fleet assessed and work raised now."""

from django.shortcuts import redirect
from django.views.decorators.http import require_POST

from scheduling import tasks
from scheduling.models import JobKind
from scheduling.services import long_jobs
from scheduling.views.edge import now_and_today
from shared.access import requires
from shared.heavy_posts import is_heavy
from shared.roles import Permission


@requires(Permission.RUN_ASSESSMENT)
@require_POST
@is_heavy
def bring_up_to_date_now(request):
    """Begin it and go where one sees how far it is."""
    now, _ = now_and_today(request)
    made = long_jobs.begin(JobKind.UPKEEP, by=request.user, now=now)
    tasks.do_long_job.beside(job_id=made.pk)
    return redirect("long_job", pk=made.pk)
