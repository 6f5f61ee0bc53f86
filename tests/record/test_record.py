"""Every address as every person, and every name others build on, against the record of them."""

import os
from pathlib import Path

import pytest

from tests import factories as make
from tests.record import kept
from tests.record.company import WHO, Company
from tests.record.names import names
from tests.record.walk import Walker

pytestmark = pytest.mark.sqlite
WRITE_TO = os.environ.get("TAPWARD_RECORD_TO", "")


def compare(path: Path, recorded: dict, seen: dict) -> None:
    """Compare with the record, or write what was seen for it."""
    if WRITE_TO:
        kept.write(Path(WRITE_TO) / path, seen)
        return
    assert recorded, f"Nothing is recorded to compare {path} with. python -m tests.record writes it."
    found = kept.differences(recorded, seen)
    assert not found, f"{found}\n{kept.HOW_ANEW}"


@pytest.mark.django_db
@pytest.mark.parametrize("who", WHO)
def test_each_address_answers_each_person_as_recorded(who, time_machine, settings, tmp_path, monkeypatch):
    settings.MEDIA_ROOT = tmp_path
    monkeypatch.setattr("vl_convert.vegalite_to_svg", lambda *_, **__: "<svg></svg>")
    time_machine.move_to(make.NOW, tick=False)
    seen = Walker(Company(), who).walk()
    compare(Path(f"{who}.json"), {} if WRITE_TO else kept.of_one(kept.read(kept.ADDRESSES), who), seen)
    assert not [address for address, answer in seen.items() if answer["status"] == 500]


def test_each_name_others_build_on_is_as_recorded():
    compare(Path(kept.NAMES.name), {} if WRITE_TO else kept.read(kept.NAMES), names())
