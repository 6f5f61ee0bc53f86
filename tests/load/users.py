"""Fifty people and programs at once: what they ask for, and how long the answers took."""

import asyncio
import itertools
import json
import random
import time
from collections import defaultdict
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta

import httpx

from tests.load.stock_up import Doors

ROWS_A_CALL = 1000
MIX = {"fleet list": 6, "treatment unit": 7, "unit, first time": 1, "day": 4, "bulk readings": 2}
"""How often each is asked for, out of twenty."""
LOOKED_AT = 60
"""Units that people look at again and again; their charts are drawn before anything is counted. For any other
unit the page draws its charts first."""


@dataclass
class Told:
    """What came back: seconds of each answer by page, and what went wrong."""

    seconds: dict[str, list[float]] = field(default_factory=lambda: defaultdict(list))
    wrong: list[str] = field(default_factory=list)
    bytes_of: dict[str, bytes] = field(default_factory=dict)
    elapsed_s: float = 0.0
    """Until the last answer: what was asked just before the end counts with the time it took."""


class Asking:
    """Makes requests of the four kinds."""

    def __init__(self, doors: Doors, server: str) -> None:
        self.doors, self.server = doors, server
        self.calls, self.firsts = itertools.count(), itertools.count()
        self.chance = random.Random(7)
        self.began = datetime.now(tz=UTC) - timedelta(days=2)

    def request(self, page: str, user: int) -> httpx.Request:
        """Return one request of a kind, as a user."""
        planner = {"Cookie": f"sessionid={self.doors.planners[user % len(self.doors.planners)]}"}
        if page == "fleet list":
            query = self.chance.choice(("", "?page=2", "?sort=-wear", "?area=Area+7", "?sort=serial&page=9"))
            return httpx.Request("GET", f"{self.server}/fleet/{query}", headers=planner)
        if page in ("treatment unit", "unit, first time"):
            is_first = page != "treatment unit"
            number = LOOKED_AT + next(self.firsts) if is_first else self.chance.randrange(LOOKED_AT)
            serial = f"M-{number % self.doors.meters}"
            return httpx.Request("GET", f"{self.server}/units/{serial}/", headers=planner)
        if page == "day":
            cookie = self.doors.technicians[user % len(self.doors.technicians)]
            return httpx.Request(
                "GET", f"{self.server}/phone/day/", headers={"Cookie": f"sessionid={cookie}"}
            )
        return self._bulk()

    def looked_at(self) -> list[httpx.Request]:
        """Return one request for each unit that people look at."""
        cookie = {"Cookie": f"sessionid={self.doors.planners[0]}"}
        addresses = (f"{self.server}/units/M-{number}/" for number in range(LOOKED_AT))
        return [httpx.Request("GET", address, headers=cookie) for address in addresses]

    def _bulk(self) -> httpx.Request:
        number = next(self.calls)
        first = (number * ROWS_A_CALL) % self.doors.meters
        # A later moment each time round, so that every row is a new reading.
        at = (self.began + timedelta(minutes=number)).isoformat()
        lines = "".join(
            json.dumps(
                {"meter_id": (first + i) % self.doors.meters + 1, "read_at": at, "total_as_shown": 9e5}
            )
            + "\n"
            for i in range(ROWS_A_CALL)
        )
        headers = {
            "Authorization": f"Bearer {self.doors.token}",
            "Content-Type": "application/x-ndjson",
            "Idempotency-Key": f"{self.began.timestamp():.0f}-{number}",
        }
        address = f"{self.server}/api/meter-readings/bulk"
        return httpx.Request("POST", address, headers=headers, content=lines.encode())

    def bare(self, page: str, server: str) -> httpx.Request:
        """Return the request for the same bytes from the bare view."""
        return httpx.Request("GET", f"{server}/{file_name(page)}")


def file_name(page: str) -> str:
    """Return where the bytes of a page are kept for the bare view."""
    return page.replace(",", "").replace(" ", "-")


def ask(make: Callable[[int], tuple[str, httpx.Request]], *, users: int, seconds: float) -> Told:
    """Have so many users ask without a pause for so long; each waits for its answer before it asks again."""
    return asyncio.run(_ask(make, users, seconds))


def ask_each(requests: list[httpx.Request], *, users: int) -> None:
    """Ask for each once."""
    asyncio.run(_ask_each(requests, users))


async def _ask_each(requests: list[httpx.Request], users: int) -> None:
    at_once = asyncio.Semaphore(users)

    async def one(client: httpx.AsyncClient, request: httpx.Request) -> None:
        async with at_once:
            (await client.send(request)).raise_for_status()

    async with httpx.AsyncClient(timeout=120) as client:
        await asyncio.gather(*(one(client, request) for request in requests))


async def _ask(make, users: int, seconds: float) -> Told:
    told = Told()
    limits = httpx.Limits(max_connections=users, max_keepalive_connections=users)
    async with httpx.AsyncClient(limits=limits, timeout=60) as client:
        began = time.monotonic()
        until = began + seconds
        await asyncio.gather(*(_user(client, make, user, until, told) for user in range(users)))
        told.elapsed_s = time.monotonic() - began
    return told


async def _user(client: httpx.AsyncClient, make, user: int, until: float, told: Told) -> None:
    while time.monotonic() < until:
        page, request = make(user)
        began = time.monotonic()
        try:
            answer = await client.send(request)
        except httpx.HTTPError as error:
            told.wrong.append(f"{page}: {error!r}")
            continue
        told.seconds[page].append(time.monotonic() - began)
        told.bytes_of[page] = answer.content
        if answer.status_code != 200:
            told.wrong.append(f"{page}: {answer.status_code}")
        elif page == "bulk readings" and answer.json()["refused"]:
            told.wrong.append(f"{page}: {answer.json()['refused']} rows refused")
