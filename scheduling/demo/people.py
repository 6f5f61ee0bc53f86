"""Log-ins of the demo: one for each of the three people, with fresh passwords."""

import secrets

from fleet.models import Person, PersonRole
from scheduling.demo.county import NAMES


def make_people() -> list[tuple[str, str, str]]:
    """Return (what the person is, user name, password) of planner, technician and owner."""
    people = []
    for user_name, role, first, last in [
        ("planner", PersonRole.PLANNER, "Pia", "Holm"),
        ("technician", PersonRole.TECHNICIAN, "Ines", "Varga"),
        ("owner", PersonRole.OWNER, "Otto", "Reyes"),
    ]:
        password = "-".join(secrets.choice(NAMES).lower() for _ in range(3))
        person = Person(username=user_name, role=role, first_name=first, last_name=last)
        person.set_password(password)
        person.save()
        people.append((role.label, user_name, password))
    return people
