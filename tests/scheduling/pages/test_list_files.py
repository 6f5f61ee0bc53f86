"""Every list a page shows comes as CSV and XLSX too, under the page's own filter; none acts as a formula."""

import csv
import io
import json
import re
from datetime import timedelta
from html.parser import HTMLParser
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import pytest
from django.urls import reverse
from openpyxl import load_workbook

from api.tokens import make_token
from fleet.assessment import runs
from fleet.models import Webhook, WebhookDelivery, WebhookKind
from fleet.telemetry.dead_letters import Message
from fleet.telemetry.intake import take
from fleet.webhooks import outbox
from scheduling.models import StockPlace, TravelCorrection, UnplacedOrder
from shared.roles import Permission
from shared.tables import Table
from tests import factories as make
from tests.factories import NOW
from tests.fleet.telemetry.telemetry_maps import water_map
from tests.test_access import ALL_PAGES

pytestmark = pytest.mark.django_db
TEMPLATES = Path(__file__).resolve().parents[3] / "templates"
NO_LIST = {
    "Steps": "a form to fill in",
    "What is read": "a form to fill in",
    "{{ title }}": "an effect shown before it is kept, in the plan afterwards",
    "Rows by sheet": "a spreadsheet just handed in; what is to mend comes back as one",
    "Problems in {{ sheet }}": "the same",
    "Rows that are wrong": "the answer to a file just handed in, where nothing was written",
    "Limits": "figures of one order, in the list of orders already",
    "Readings": "a form to fill in",
    "What is wrong": "what was just pasted; the rest stays in the form",
    "What follows": "an effect shown before it is kept",
    "{{ visit.heading }}": "a letter; the history has it as a list",
    "Columns of {{ name }}": "a form to fill in",
    "Parts named in the file": "a form to fill in",
    "Values to look at": "a spreadsheet just handed in",
}
"""Tables that are no list, and why."""
TOGETHER = {"Learned at {{ name }}": "Learned from finished visits"}
"""Tables that are one list in the file."""
NOT_IN_FILES = {"open"}
"""What is still open of a batch: reckoned for the page from what its own file holds by line."""
HOSTILE = "=cmd|' /C calc'!A0"


class Tables(HTMLParser):
    """Collects the labels of tables and of links on a page."""

    def __init__(self):
        super().__init__()
        self.tables, self.links = [], {}

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        if "table-frame" in given.get("class", "").split():
            self.tables.append(given.get("aria-label"))
        if tag == "a" and given.get("aria-label", "").endswith((" as CSV", " as XLSX")):
            self.links[given["aria-label"]] = given["href"]


def tables(page):
    found = Tables()
    found.feed(page)
    return found


@pytest.fixture
def everything(now):
    """A little of everything that lists show; names begin like a formula."""
    water_map()
    unit = make.whole_unit(serial="RO-1", site=make.site(name=HOSTILE, code="SITE-1"))
    technician = make.technician(branch=unit.site.branch, name=HOSTILE)
    kind = make.part_kind(name=HOSTILE)
    make.van(technician, kind)
    plan = make.plan(unit.site, code="PLAN-1", name=HOSTILE)
    order = make.work_order(unit, why=HOSTILE)
    route = make.route(technician, [order])
    left = make.work_order(unit, why=HOSTILE)
    UnplacedOrder.objects.create(proposal=route.proposal, order=left, reason="time", text=HOSTILE)
    other = make.site(branch=unit.site.branch)
    first, second = sorted((unit.site, other), key=lambda site: site.pk)
    owner = make.person("owner")
    TravelCorrection.objects.create(site_a=first, site_b=second, minutes=5, because=HOSTILE, set_at=NOW,
                                    set_by=owner)  # fmt: skip
    runs.assess_fleet(NOW, shard_size=10)
    body = {"at": (NOW - timedelta(minutes=9)).isoformat(), "litres": 9e5}
    topic = "sites/a/units/RO-1/water"
    good, bad = (Message(topic, json.dumps(body | more).encode()) for more in ({}, {"litres": -1}))
    take([Message(HOSTILE, b"{"), good, bad], now=NOW)
    hook = Webhook.objects.create(name=HOSTILE, url="https://a.example.com/", kinds=list(WebhookKind.values),
                                  made_at=NOW, made_by=owner)  # fmt: skip
    outbox.publish(WebhookKind.ORDER_RAISED, [outbox.OutboxEvent(None, {})], now=NOW)
    delivery = WebhookDelivery.objects.get()
    delivery.attempts.create(at=NOW, status=500, milliseconds=3, answer=HOSTILE)
    make_token(owner, name=HOSTILE, days=30, permissions=[Permission.SEE_FLEET], now=NOW)
    return {
        "owner": owner, "unit": unit, "plan": plan, "order": order, "route": route, "hook": hook,
        "delivery": delivery, "place": StockPlace.objects.get(),
    }  # fmt: skip


WITH_ARGUMENTS = {
    "treatment_unit": lambda all_: [all_["unit"].serial],
    "site_page": lambda all_: ["SITE-1"],
    "work_order": lambda all_: [all_["order"].pk],
    "stock_place": lambda all_: [all_["place"].code],
    "plan_changes": lambda all_: [all_["route"].proposal_id],
    "proposal": lambda all_: [all_["route"].proposal_id],
    "route": lambda all_: [all_["route"].pk],
    "owner_plan": lambda all_: ["PLAN-1"],
    "site_costs": lambda all_: ["SITE-1"],
    "webhook": lambda all_: [all_["hook"].pk],
    "webhook_delivery": lambda all_: [all_["delivery"].pk],
    "own_tokens": lambda all_: [],
}
"""Pages with arguments that hold lists; the first test sees to it that no template is forgotten."""


def test_every_table_of_every_page_is_offered_as_a_file():
    """A new table needs ``{% list_files %}`` beside it, or a reason why it is no list."""
    missing = []
    for path in sorted(set(TEMPLATES.rglob("*.html")) - {TEMPLATES / "parts/table.html"}):
        text = in_plain_words(path.read_text(encoding="utf-8"))
        for frame in re.findall(r'<div class="table-frame[^>]*>', text):
            label = re.search(r'aria-label="([^"]*)"', frame)
            if label is None:
                missing.append(f"{path.name}: a table without a label")
            elif not is_offered(text, named(label[1])) and named(label[1]) not in NO_LIST:
                missing.append(f"{path.name}: {label[1]}")
    assert missing == []


def test_page_and_files_of_a_declared_list_have_the_same_columns():
    """What a page shows is in the file; a column of the page alone shows no value of its own."""
    assert len(Table.every) > 45
    for table in Table.every:
        names = [column.value for column in table.columns]
        assert all(column.title for column in table.columns), table.label
        assert {column.only for column in table.columns} <= {"", "page", "file"}, table.label
        for column in table.columns:
            if column.only == "page":
                assert not column.value or column.value in NOT_IN_FILES, f"{table.label}: {column.title}"
        paths = [name for name in names if isinstance(name, str) and name]
        assert len(paths) == len(set(paths)), f"{table.label} names a value twice"


def in_plain_words(template):
    """Return a template with its words where the marks of translation stand."""
    for marked in (
        r'{% translate "(?P<words>[^"]*)" %}',
        r"{% blocktranslate[^%]*%}(?P<words>.*?){% endblocktranslate %}",
        r'_\((?P<words>"[^"]*")\)',
    ):
        template = re.sub(marked, r"\g<words>", template)
    return template


def named(label):
    """Return what a list is called: a table in a section of its own name says so beside it."""
    name = label.removesuffix(", table")
    return TOGETHER.get(name, name)


def is_offered(text, label):
    """Say whether a template links this list both as CSV and as XLSX."""
    if "{% list_files " in text and label in {str(table.label) for table in Table.every}:
        return True
    if f'aria-label="{label} as {{{{ name }}}}"' in text:
        return True
    return all(f'aria-label="{label} as {form}"' in text for form in ("CSV", "XLSX"))


@pytest.fixture
def pages_with_lists(client, everything, settings):
    """Every page of the owner that can be fetched, with its address."""
    settings.MQTT_HOST = "broker"
    client.force_login(everything["owner"])
    addresses = [f"/{address}" for address, _, view in ALL_PAGES
                 if "<" not in address and not address.endswith((".xlsx", ".pdf"))
                 and getattr(view, "required_permission", None)]  # fmt: skip
    addresses += [reverse(name, args=given(everything)) for name, given in WITH_ARGUMENTS.items()]
    found = {}
    for address in addresses:
        answer = client.get(address)
        if answer.status_code == 200 and answer.headers["Content-Type"].startswith("text/html"):
            found[address] = answer.content.decode()
    return found


def test_every_link_gives_the_list_and_nothing_in_it_acts_as_a_formula(client, pages_with_lists):
    seen, hostile = set(), 0
    for address, page in pages_with_lists.items():
        for label, link in tables(page).links.items():
            target = f"{address}{link}" if link.startswith("?") else link
            answer = client.get(target)
            assert answer.status_code == 200, target
            content = b"".join(answer.streaming_content) if answer.streaming else answer.content
            rows = csv_rows(content) if label.endswith("CSV") else sheet_rows(content)
            assert rows[0], f"{label} has no headings"
            hostile += sum(HOSTILE in str(cell) for row in rows for cell in row)
            seen.add(label)
    assert hostile > 20, "the names that begin like a formula were not in the files"
    for label in ("Parts in place", "Gauge readings", "Batches", "Step sheets", "Plans", "Rejected messages",
                  "Your tokens", "Set by hand", "Orders not scheduled", "Events",
                  "Treatment units"):  # fmt: skip
        assert {f"{label} as CSV", f"{label} as XLSX"} & seen or label in {"Batches"}, label


class Choices(HTMLParser):
    """Collects the choices that a page's own filters offer: name and value."""

    def __init__(self):
        super().__init__()
        self.is_filter, self.name, self.found = False, "", {}

    def handle_starttag(self, tag, attrs):
        given = dict(attrs)
        if tag == "form":
            self.is_filter = given.get("method", "get").lower() == "get"
        elif tag == "select":
            self.name = given.get("name", "")
        elif tag == "option" and self.is_filter and self.name and given.get("value"):
            self.found[self.name] = given["value"]


def test_every_file_of_a_filtered_page_is_asked_for_with_its_filter(client, pages_with_lists):
    """The link of each list carries what the page was narrowed by, whichever page it is."""
    narrowed = 0
    for address, page in pages_with_lists.items():
        choices = Choices()
        choices.feed(page)
        for name, value in choices.found.items():
            answer = client.get(address, {name: value})
            if answer.status_code != 200:
                continue
            for label, link in tables(answer.content.decode()).links.items():
                asked = parse_qs(urlsplit(link).query)
                assert asked.get(name) == [value], f"{address}: {label} forgets {name}={value}: {link}"
                narrowed += 1
    assert narrowed > 20


def csv_rows(content):
    """Read a CSV; no cell may begin as a formula does (OWASP, CSV injection), but for plain numbers."""
    rows = list(csv.reader(io.StringIO(content.decode("utf-8-sig"))))
    for row in rows:
        for cell in row:
            assert not cell.startswith(("=", "+", "@", "\t", "\r")), cell
            assert not (cell.startswith("-") and not is_number(cell)), cell
    return rows


def sheet_rows(content):
    """Read a workbook; no cell may be a formula."""
    sheet = load_workbook(io.BytesIO(content)).active
    assert all(cell.data_type != "f" for row in sheet.iter_rows() for cell in row)
    return [[cell.value for cell in row] for row in sheet.iter_rows()]


def is_number(text):
    """Say whether a text is a number."""
    try:
        float(text)
    except ValueError:
        return False
    return True


def rows_of(client, address, **asked):
    """Return the rows of a list as CSV, without headings."""
    answer = client.get(address, {"as": "csv", **asked})
    return csv_rows(b"".join(answer.streaming_content))[1:]


def test_a_file_keeps_to_the_filter_of_its_page(client, everything):
    client.force_login(everything["owner"])
    address = reverse("dead_letters")
    assert len(rows_of(client, address, list="letters")) == 2
    assert len(rows_of(client, address, list="letters", words="cmd")) == 1
    assert rows_of(client, address, list="letters", state="dismissed") == []
    assert len(rows_of(client, reverse("webhook", args=[everything["hook"].pk]), list="deliveries")) == 1
    assert rows_of(client, reverse("webhook", args=[everything["hook"].pk]), list="deliveries",
                   state="failed") == []  # fmt: skip
    assert rows_of(client, reverse("notices"), list="notices", state="sent") == []


def test_a_list_that_a_page_has_not_is_not_found(client, everything):
    client.force_login(everything["owner"])
    assert client.get(reverse("telemetry"), {"as": "csv", "list": "secrets"}).status_code == 404
    assert client.get(reverse("telemetry"), {"as": "pdf", "list": "maps"}).status_code == 404


def test_a_planner_gets_no_cost_through_a_file(client, everything):
    client.force_login(make.person("planner"))
    assert rows_of(client, reverse("owner_risk"), list="late") == []
    answer = client.get(reverse("owner_forecast"), {"as": "csv", "list": "order"})
    assert b"Cost" not in b"".join(answer.streaming_content)


def test_a_technician_gets_neither_loads_nor_prices_through_a_file(client, everything):
    client.force_login(make.person("technician"))
    assert rows_of(client, reverse("stock"), list="loads") == []
    integrator = make.person("integrator")
    client.force_login(integrator)
    assert (
        client.get(reverse("site_page", args=["SITE-1"]), {"as": "csv", "list": "plans"}).status_code == 404
    )
