"""A sender that is killed while it waits for the receiver's answer."""

import os
import sys

import django


def main():
    """Deliver what is due; the receiver is slow on purpose."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shared.config.settings")
    django.setup()
    from fleet.webhooks import calling, outbox  # noqa: PLC0415
    from tests.factories import NOW  # noqa: PLC0415

    print("sending", flush=True)
    outbox.deliver(int(sys.argv[1]), now=NOW, allowed=calling.networks(["127.0.0.0/8"]))


if __name__ == "__main__":
    main()
