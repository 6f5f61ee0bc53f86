"""What takes something away can be undone from a page, or asks before it does it."""

import ast
import re
from pathlib import Path

import pytest

from tests.test_access import ALL_PAGES

ROOT = Path(__file__).resolve().parents[1]
TEMPLATES = ROOT / "templates"
TABLES = [*ROOT.glob("scheduling/*/*tables.py"), ROOT / "api/pages.py"]
TAKES_AWAY = re.compile(
    r"remove|revoke|withdraw|undo|take_back|off\b|aside|^end_|rotate|give_back|settle|renew|erase"
)
UNDONE = {
    "remove_view": "put_back_view, offered at once",
    "withdraw_order": "reopen_order, on the order",
    "withdraw_chosen": "reopen_chosen, offered at once",
    "undo_close_out": "asks for a reason; closing out again is open",
    "undo_move": "the move can be made again, and the change stays on record",
    "take_back_plan_terms": "the same terms can be set again; the row stays with who and when",
    "take_back_tax_rate": "the same rate can be added again; the row stays with who and when",
    "take_back_paid_file": "the same file can be read again; the file stays with who and when",
    "give_back_pace": "accept_pace, beside it",
    "end_plan_period": "asks for the day; another period can be added, each stays on record",
    "end_absence": "the same absence can be written again, in the form above it",
    "end_closure": "the same closure can be written again, in the form above it",
    "end_plan": "undo_plan_end, on the plan",
    "undo_plan_end": "the plan can be ended again, beside it",
    "undo_price_change": "the same change can be made again; the row stays with who and when",
    "settle_dead_letters": "a dismissed message stays with its content and can be tried again",
}
"""What can be had back, and how."""
WITH_MORE_THAN_A_PRESS = {
    "erase_personal_data": "the code is typed, below what stays and why",
    "end_own_sessions": "asks for the password",
    "remove_second_factor": "asks for the password",
    "renew_recovery_codes": "asks for the password",
    "end_of_month": "asks; more than one month is shown month by month and asked again",
}
FOR_MACHINES = {"switch_webhook": "switches on again beside it"}


def destructive() -> list[str]:
    return sorted({name for _address, name, _view in ALL_PAGES if name and TAKES_AWAY.search(name)})


def forms_of(name: str) -> list[str]:
    """Every form of a page that posts to this address."""
    text = " ".join(file.read_text() for file in TEMPLATES.rglob("*.html"))
    forms = re.findall(rf"<form[^>]*?url '{name}'.*?</form>", text, re.DOTALL)
    return forms + [button for file in TABLES for button in buttons_of(file.read_text(), name)]


def buttons_of(code: str, name: str) -> list[str]:
    """Every button that a declared list offers for this address, as it would be written on a page."""
    return [
        " ".join("data-confirm" for key in call.keywords if key.arg == "confirm")
        for call in ast.walk(ast.parse(code))
        if isinstance(call, ast.Call)
        and isinstance(call.func, ast.Name)
        and call.func.id == "button"
        and any(isinstance(one, ast.Constant) and one.value == name for one in ast.walk(call))
    ]


def test_there_are_acts_to_look_at():
    assert len(destructive()) > 12


@pytest.mark.parametrize("name", destructive())
def test_what_takes_away_is_undone_or_asks_first(name):
    if name in UNDONE | WITH_MORE_THAN_A_PRESS | FOR_MACHINES:
        return
    forms = forms_of(name)
    assert forms, f"no page offers {name}: say in this test how it is undone"
    for form in forms:
        assert "data-confirm" in form, f"{name} takes away without asking, and nothing brings it back"
