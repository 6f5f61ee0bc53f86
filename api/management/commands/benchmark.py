"""``manage.py benchmark``: the figures of tests/benchmarks, which lie in a checkout and not in production."""

import sys
from importlib import import_module

from django.core.management.base import BaseCommand


class Command(BaseCommand):
    help = "Measure how fast this machine assesses a fleet and how good its routes are. Changes no data."

    def run_from_argv(self, argv):
        try:
            measuring = import_module("tests.benchmarks.command")
        except ModuleNotFoundError as error:
            self.stderr.write(
                f"The benchmarks need {error.name}, which is not here. Run them from a whole checkout, "
                "installed with its extras for tests."
            )
            sys.exit(1)
        measuring.Command().run_from_argv(argv)
