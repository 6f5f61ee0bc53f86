"""Every page of the invented company in a real browser, found by following links as each person would.

Narrow and dark, wide and light, zoomed, of large text, on paper: nothing wider than the screen or cut off, no
accessibility fault, no console error, few and small requests. Pictures of all of them stay in
``.artefacts/pages``.
"""

import gzip
from collections import deque
from pathlib import Path
from urllib.parse import urljoin, urlsplit

import pytest
from django.contrib.staticfiles import finders
from django.urls import Resolver404, resolve
from django.utils import timezone

from fleet.models import Person
from scheduling.demo.story import tell
from tests.browser import Axe, Error
from tests.journeys.page_shapes import shape_faults
from tests.journeys.test_pages_of_work import RULES, as_person

pytestmark = [pytest.mark.browser, pytest.mark.slow, pytest.mark.django_db(transaction=True)]
PICTURES = Path(__file__).resolve().parents[2] / ".artefacts" / "pages"
LOOKS = [(1440, "light"), (320, "dark")]
FILES = (".csv", ".xlsx", ".pdf", ".geojson", ".ics", ".gpx", ".json", ".js", ".webmanifest", ".svg", ".png")
DRAWN_BY_A_LIBRARY = {"api_docs"}
"""The API's documentation is drawn by its library; we answer for the schema beside it and our own pages."""
NOT_PAGES = {"api_schema"}
"""A file without an ending."""
FEWEST_KINDS = 45
MOST_PICTURED = 5000
MOST_BYTES = 200_000
MOST_REQUESTS = 15


def links_of(tab, url: str) -> list[str]:
    """Return this server's addresses that the page links to, in order."""
    found = tab.eval_on_selector_all("a[href]", "all => all.map(a => a.getAttribute('href'))")
    whole = [urljoin(tab.url, link.split("#")[0]) for link in found]
    return [link for link in whole if link.startswith(url) and not urlsplit(link).path.endswith(FILES)]


def name_of(address: str) -> str | None:
    try:
        return resolve(urlsplit(address).path).url_name
    except Resolver404:
        return None


def faults_of(tab, name: str, role: str) -> list[str]:
    """Look at the open page in each of the looks, keep its picture, return what is wrong."""
    told = []
    for width, scheme in LOOKS:
        tab.set_viewport_size({"width": width, "height": 800})
        tab.emulate_media(color_scheme=scheme)
        too_wide = tab.evaluate("document.documentElement.scrollWidth - window.innerWidth")
        if too_wide > 0:
            told.append(f"{role} {name} is {too_wide} px wider than {width}")
        for one in Axe().run(tab, options=RULES).response["violations"]:
            told.append(f"{role} {name} {width} {scheme} {one['id']}: {one['nodes'][0]['html'][:160]}")
        height = min(tab.evaluate("document.documentElement.scrollHeight"), MOST_PICTURED)
        tab.set_viewport_size({"width": width, "height": max(height, 800)})
        tab.screenshot(path=PICTURES / f"{role}-{name}-{width}.png", timeout=90_000)
    return told


def weight_of(responses: list) -> int:
    """Return what a page and its files weigh when compressed, as a web server in front sends them. [bytes]"""
    total = 0
    for response in responses:
        path = urlsplit(response.url).path
        if path.startswith("/static/"):
            found = finders.find(path.removeprefix("/static/"))
            body = Path(found).read_bytes() if found else b""
        else:
            body = _body_of(response) if response.status == 200 else b""
        total += len(gzip.compress(body))
    return total


def _body_of(response) -> bytes:
    """Return what was answered; asked again where the browser keeps it no longer."""
    try:
        return response.body()
    except Error:
        return response.frame.page.context.request.get(response.url).body()


def walk(browser, url: str, person: Person, known: set[str]) -> tuple[set[str], list[str]]:
    """Follow links from the person's own first page; look at each kind of page nobody saw before."""
    context = browser.new_context(service_workers="block")
    tab = as_person(context, url, person)
    answers: list = []
    tab.on("response", lambda answer: answers.append(answer))
    seen, told, asked = set(), [], deque([url + "/"])
    while asked:
        address = asked.popleft()
        name = name_of(address)
        if name is None or name in seen or name in NOT_PAGES:
            continue
        seen.add(name)
        answers.clear()
        response = tab.goto(address, wait_until="networkidle")
        if response is None or response.status != 200:
            told.append(f"{person.role} {address} answers {response and response.status}")
            continue
        # The first page may lead on to another.
        seen.add(name_of(tab.url) or name)
        if len(answers) > MOST_REQUESTS:
            told.append(f"{person.role} {name} asks for {len(answers)} things")
        told += [
            f"{person.role} {name} asks for {a.url}, which is {a.status}" for a in answers if a.status >= 400
        ]
        if name not in DRAWN_BY_A_LIBRARY and (weight := weight_of(answers)) > MOST_BYTES:
            told.append(f"{person.role} {name} weighs {weight:,} bytes")
        asked.extend(links_of(tab, url))
        if name not in known | DRAWN_BY_A_LIBRARY:
            told += faults_of(tab, name, person.role)
            told += shape_faults(tab, f"{person.role} {name}")
    told += [f"{person.role} console: {said}" for said in tab.said]
    context.close()
    return seen, told


def test_every_page_that_links_lead_to_is_fit_to_be_seen(browser, live_server, settings):
    settings.CELERY_TASK_ALWAYS_EAGER = True
    PICTURES.mkdir(parents=True, exist_ok=True)
    tell(timezone.now(), lambda _: None, 2)
    seen: set[str] = set()
    told: list[str] = []
    for role in ("planner", "technician", "owner"):
        found, faults = walk(browser, live_server.url, Person.objects.filter(role=role).first(), seen)
        seen |= found
        told += faults
    assert not told, "\n".join(told)
    assert len(seen) >= FEWEST_KINDS, f"links lead to {sorted(seen)} alone"
