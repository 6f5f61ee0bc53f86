"""What every task does beside its work: carry the ids on, and write down how it went."""

from celery.contrib.django.task import DjangoTask
from django.utils import timezone

from fleet.services import task_runs
from shared.wiring.trail import request_id, taken_or_new, task_id


class WatchedTask(DjangoTask):
    """A task that leaves a trail. Called like a function it does its work only."""

    def apply_async(self, args=None, kwargs=None, **options):
        """Send the task with the id of the request or task that wants it."""
        headers = {**(options.pop("headers", None) or {}), "request_id": taken_or_new(request_id.get())}
        return super().apply_async(args, kwargs, headers=headers, **options)

    def __call__(self, *args, **kwargs):
        request = self.request
        if request.called_directly:
            return self.run(*args, **kwargs)
        given = (request.headers or {}).get("request_id") or request.get("request_id") or ""
        marks = (request_id.set(taken_or_new(given)), task_id.set(request.id or ""))
        run = task_runs.begin(
            name=self.name, task_id=request.id or "", request_id=request_id.get(), now=timezone.now()
        )  # fmt: skip
        try:
            answer = self.run(*args, **kwargs)
        except BaseException as error:
            task_runs.end(run, now=timezone.now(), error=error)
            raise
        else:
            task_runs.end(run, now=timezone.now())
            return answer
        finally:
            request_id.reset(marks[0])
            task_id.reset(marks[1])
