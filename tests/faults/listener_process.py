"""A listener that stands still between saving and acknowledging, to be killed there."""

import os
import sys
import time

import django


def main():
    """Listen as the command does, but never get to the acknowledgement."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shared.config.settings")
    django.setup()
    from django.core.management import call_command  # noqa: PLC0415

    from fleet.telemetry.broker import Broker  # noqa: PLC0415

    def stand_still(self, arrived):
        print("saved but not acknowledged", flush=True)
        time.sleep(120)

    Broker.acknowledge = stand_still
    call_command("listen_meters", "--name", sys.argv[1])


if __name__ == "__main__":
    main()
