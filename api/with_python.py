"""The worked steps of the page for Python, as data: the page shows and a test runs the very same code."""

from dataclasses import dataclass
from typing import Final

from django.utils.translation import gettext_lazy


@dataclass(frozen=True)
class Step:
    """One step: what it is for, and code that follows on the steps before."""

    title: str
    text: str
    code: str


OVERRIDES: Final = dict.fromkeys(
    ("application/x-ndjson", "application/jsonl", "text/csv"), "application/octet-stream"
)
"""How a stock generator is told to send a bulk body as it is."""
STEPS: Final = (
    Step(
        gettext_lazy("A list as a frame"),
        gettext_lazy(
            "Lists come in pages; the address of the next one is in the answer. Ask for the fields you need."
        ),
        """import os
import pandas as pd
import requests

api = requests.Session()
api.headers["Authorization"] = "Bearer " + os.environ["TAPWARD_TOKEN"]
root = os.environ["TAPWARD_URL"] + "/api"

def frame(noun, **query):
    rows, address = [], f"{root}/{noun}"
    while address:
        answer = api.get(address, params=query, timeout=60)
        answer.raise_for_status()
        page = answer.json()
        rows += page["results"]
        address, query = page["next"], {}
    return pd.DataFrame(rows)

units = frame("treatment-units", fields="serial,site_code")
meters = frame("meters", is_in_place=True)""",
    ),
    Step(
        gettext_lazy("Gallons a day from the registers"),
        gettext_lazy(
            "Register totals only grow, until the register starts again at its end: rollover_gal "
            "says where. The difference of two totals over the days between them is the use."
        ),
        """readings = frame("meter-readings", is_latest=True, water="permeate")
readings["read_at"] = pd.to_datetime(readings["read_at"], utc=True)
readings = readings.sort_values(["meter_id", "read_at"])
steps = readings.groupby("meter_id")[["total_gal", "read_at"]].diff()
used = steps["total_gal"].where(steps["total_gal"] >= 0, steps["total_gal"] + readings["rollover_gal"])
readings["gal_per_day"] = used / (steps["read_at"].dt.total_seconds() / 86400)
use = readings.groupby("treatment_unit_serial")["gal_per_day"].median()""",
    ),
    Step(
        gettext_lazy("What is due next"),
        gettext_lazy("Each part in place has its wear and three days: early, likely and late."),
        """parts = frame("part-states")
due = parts.sort_values("likely_on").head(20)[["treatment_unit_serial", "position", "wear", "likely_on"]]""",
    ),
    Step(
        gettext_lazy("Readings in bulk"),
        gettext_lazy(
            "One call takes up to 100 000 rows. Send a new key with each new body, the same to "
            "repeat a call; that is answered as before and nothing is written twice. Good rows "
            "stay, bad rows come back."
        ),
        """import uuid

rows = pd.DataFrame({
    "meter_id": meters["id"],
    "read_at": pd.Timestamp.now(tz="UTC").floor("s").isoformat(),
    "total_as_shown": 250_000.0,
})
answer = api.post(
    f"{root}/meter-readings/bulk",
    data=rows.to_csv(index=False).encode(),
    headers={"Content-Type": "text/csv", "Idempotency-Key": str(uuid.uuid4())},
    timeout=300,
)
answer.raise_for_status()
came_of_it = answer.json()
refused = pd.DataFrame(came_of_it["problems"], columns=["row", "field", "value", "message", "remedy"])""",
    ),
    Step(
        gettext_lazy("An edit that never overwrites somebody else's"),
        gettext_lazy(
            "Read the row, send its ETag back as If-Match. When somebody changed it meanwhile "
            "the answer is 412: read it again, then decide again."
        ),
        """site = api.get(f"{root}/sites", params={"page_size": 1}, timeout=60).json()["results"][0]
shown = api.get(f"{root}/sites/{site['id']}", timeout=60)
changed = api.patch(
    f"{root}/sites/{site['id']}",
    json={"access_note": "Ring at the gate."},
    headers={"If-Match": shown.headers["ETag"]},
    timeout=60,
)
changed.raise_for_status()""",
    ),
)
