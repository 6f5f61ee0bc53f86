#!/usr/bin/env python
"""Django's door."""

import os
import sys
from pathlib import Path

from django.core.management import execute_from_command_line


def main() -> None:
    """Run a command. The demo keeps to a database of its own unless one is named."""
    os.environ.setdefault("DJANGO_SETTINGS_MODULE", "shared.config.settings")
    if sys.argv[1:2] == ["demo"] and not os.environ.get("DATABASE_URL"):
        os.environ.setdefault("TAPWARD_DATA_DIR", str(Path(__file__).resolve().parent / ".data" / "demo"))
        os.environ.setdefault("TAPWARD_COMPANY", "Clearrun Water Care (invented)")
    execute_from_command_line(sys.argv)


if __name__ == "__main__":
    main()
