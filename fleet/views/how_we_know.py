"""The laws the program uses, where they hold and where they come from."""

from django.contrib.auth.decorators import login_required
from django.shortcuts import render

from fleet.science.sources import SHELVES, Standing

STANDING_TONES = {
    Standing.PUBLISHED: "good",
    Standing.COMMON_PRACTICE: "info",
    Standing.FROM_MEMORY: "watch",
    Standing.OURS: "off",
}


@login_required
def how_we_know(request):
    """Show every law with its range, source and standing."""
    shelves = [
        (title, [(law, STANDING_TONES[law.standing]) for law in laws]) for title, laws in SHELVES.items()
    ]
    return render(request, "fleet/how_we_know.html", {"shelves": shelves})
