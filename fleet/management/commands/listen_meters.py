"""``manage.py listen_meters``: takes readings from an MQTT broker. Start several to split the load."""

import signal
import socket

from django.conf import settings
from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from fleet.telemetry.broker import Broker, BrokerSettings
from fleet.telemetry.listener import Listener, Pace
from shared.errors import DomainError


class Command(BaseCommand):
    help = (
        "Take readings from an MQTT 5 broker. Messages are acknowledged after they are saved. "
        "Start several, each under its own --name, to split the load."
    )

    def add_arguments(self, parser):
        parser.add_argument("--name", default=f"tapward-{socket.gethostname()}",
                            help="this listener's own name; after a restart use the same")  # fmt: skip
        parser.add_argument("--alone", action="store_true",
                            help="the only listener: then a broker that forgets shared subscriptions when it "
                            "restarts keeps every message all the same")  # fmt: skip
        parser.add_argument("--batch", type=int, default=500, help="messages saved at once, 1 to 5000")

    def handle(self, *args, **options):
        if not settings.MQTT_HOST:
            raise CommandError("TAPWARD_MQTT_HOST is not set. Set it to the broker's host name.")
        if not 1 <= options["batch"] <= 5000:
            raise CommandError(f"--batch {options['batch']} can't be. Give 1 to 5000.")
        told: list[int] = []
        for sign in (signal.SIGTERM, signal.SIGINT):
            signal.signal(sign, lambda number, frame: told.append(number))
        broker = Broker(
            options["name"],
            BrokerSettings(
                host=settings.MQTT_HOST,
                port=settings.MQTT_PORT,
                user=settings.MQTT_USER,
                password=settings.MQTT_PASSWORD,
                tls=settings.MQTT_TLS,
                ca_file=settings.MQTT_CA_FILE,
                group="" if options["alone"] else "tapward",
            ),
            most_waiting=options["batch"],
        )
        listener = Listener(
            broker, Pace(batch=options["batch"]), read_clock=timezone.now, should_stop=lambda: bool(told)
        )
        self.stderr.write(f"{options['name']} listens at {settings.MQTT_HOST}:{settings.MQTT_PORT}.")
        try:
            tally = listener.run()
        except DomainError as error:
            raise CommandError(str(error)) from error
        self.stdout.write(
            f"{tally.messages} messages: {tally.recorded} readings recorded, {tally.duplicates} known "
            f"already, {tally.refused} messages to the dead letters."
        )
