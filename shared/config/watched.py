"""What every task does beside its work: carry the ids on, and write down how it went."""

import contextvars
import logging
import threading

from celery.contrib.django.task import DjangoTask
from django.conf import settings
from django.db import connections, transaction
from django.utils import timezone

from fleet.runs import task_runs
from shared.config.logs import request_id, taken_or_new, task_id

log = logging.getLogger(__name__)


class WatchedTask(DjangoTask):
    """A task that leaves a trail. Called like a function it does its work only."""

    def apply_async(self, args=None, kwargs=None, **options):
        """Send the task with the id of the request or task that wants it."""
        headers = {**(options.pop("headers", None) or {}), "request_id": taken_or_new(request_id.get())}
        return super().apply_async(args, kwargs, headers=headers, **options)

    def enqueue(self, **kwargs):
        """Begin once the transaction is written, so that a page can answer and tell how far it has come.

        With a queue a worker does it. Without one it goes on in a thread of this process, on connections of
        its own; it dies with the process, as a worker may.
        """
        if settings.REDIS_URL or not settings.TASKS_BESIDE:
            self.delay_on_commit(**kwargs)
        else:
            transaction.on_commit(lambda: self._begin_thread(kwargs))

    def _begin_thread(self, kwargs):
        request_id.set(taken_or_new(request_id.get()))
        context = contextvars.copy_context()
        threading.Thread(
            target=context.run, args=(self._in_thread, kwargs), name=self.name, daemon=True
        ).start()

    def _in_thread(self, kwargs):
        try:
            self.apply(kwargs=kwargs)
        except Exception as error:
            # Its row in the table of task runs says so too.
            log.error("Long work begun from a page failed.", exc_info=error)
        finally:
            connections.close_all()

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
